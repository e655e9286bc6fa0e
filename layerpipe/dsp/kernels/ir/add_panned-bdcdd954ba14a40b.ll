; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_add_panned_bdcdd954ba14a40b(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.block.0, ptr readnone %arg.block.1, i64 %arg.block.2, i64 %arg.block.3, ptr readonly %arg.block.4, i64 %arg.block.5.0, i64 %arg.block.6.0, double %arg.left, double %arg.right, ptr readnone %arg.out.0, ptr readnone %arg.out.1, i64 %arg.out.2, i64 %arg.out.3, ptr %arg.out.4, i64 %arg.out.5.0, i64 %arg.out.5.1, i64 %arg.out.6.0, i64 %arg.out.6.1) local_unnamed_addr #0 {
entry:
  %.127163.not = icmp slt i64 %arg.block.5.0, 1
  br i1 %.127163.not, label %B174, label %B60.if.lver.check

B60.if.lver.check:                                ; preds = %entry
  %ident.check.not = icmp eq i64 %arg.out.5.1, 1
  br i1 %ident.check.not, label %B60.if.ph, label %B60.if.lver.orig

B60.if.lver.orig:                                 ; preds = %B60.if.lver.check, %B60.if.lver.orig
  %.69.0164.lver.orig = phi i64 [ %.140.lver.orig, %B60.if.lver.orig ], [ 0, %B60.if.lver.check ]
  %.140.lver.orig = add nuw nsw i64 %.69.0164.lver.orig, 1
  %.213.lver.orig = mul i64 %.69.0164.lver.orig, %arg.out.5.1
  %.217.lver.orig = getelementptr double, ptr %arg.out.4, i64 %.213.lver.orig
  %.218.lver.orig = load double, ptr %.217.lver.orig, align 8
  %0 = getelementptr float, ptr %arg.block.4, i64 %.69.0164.lver.orig
  %.248.lver.orig = load float, ptr %0, align 4
  %.250.lver.orig = fpext float %.248.lver.orig to double
  %.251.lver.orig = fmul double %arg.left, %.250.lver.orig
  %.252.lver.orig = fadd double %.218.lver.orig, %.251.lver.orig
  store double %.252.lver.orig, ptr %.217.lver.orig, align 8
  %.357.lver.orig = getelementptr i8, ptr %.217.lver.orig, i64 8
  %.358.lver.orig = load double, ptr %.357.lver.orig, align 8
  %.388.lver.orig = load float, ptr %0, align 4
  %.390.lver.orig = fpext float %.388.lver.orig to double
  %.391.lver.orig = fmul double %arg.right, %.390.lver.orig
  %.392.lver.orig = fadd double %.358.lver.orig, %.391.lver.orig
  store double %.392.lver.orig, ptr %.357.lver.orig, align 8
  %exitcond.not.lver.orig = icmp eq i64 %arg.block.5.0, %.140.lver.orig
  br i1 %exitcond.not.lver.orig, label %B174, label %B60.if.lver.orig

B60.if.ph:                                        ; preds = %B60.if.lver.check
  %load_initial = load double, ptr %arg.out.4, align 8
  br label %B60.if

B174:                                             ; preds = %B60.if.lver.orig, %B60.if, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B60.if:                                           ; preds = %B60.if.ph, %B60.if
  %store_forwarded = phi double [ %load_initial, %B60.if.ph ], [ %.392, %B60.if ]
  %.69.0164 = phi i64 [ 0, %B60.if.ph ], [ %.140, %B60.if ]
  %.140 = add nuw nsw i64 %.69.0164, 1
  %.213 = mul nuw i64 %.69.0164, %arg.out.5.1
  %.217 = getelementptr double, ptr %arg.out.4, i64 %.213
  %1 = getelementptr float, ptr %arg.block.4, i64 %.69.0164
  %.248 = load float, ptr %1, align 4
  %.250 = fpext float %.248 to double
  %.251 = fmul double %arg.left, %.250
  %.252 = fadd double %store_forwarded, %.251
  store double %.252, ptr %.217, align 8
  %.357 = getelementptr i8, ptr %.217, i64 8
  %.358 = load double, ptr %.357, align 8
  %.388 = load float, ptr %1, align 4
  %.390 = fpext float %.388 to double
  %.391 = fmul double %arg.right, %.390
  %.392 = fadd double %.358, %.391
  store double %.392, ptr %.357, align 8
  %exitcond.not = icmp eq i64 %arg.block.5.0, %.140
  br i1 %exitcond.not, label %B174, label %B60.if
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
