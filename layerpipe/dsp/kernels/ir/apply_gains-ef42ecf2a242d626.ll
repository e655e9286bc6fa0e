; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_apply_gains_ef42ecf2a242d626(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.out.0, ptr readnone %arg.out.1, i64 %arg.out.2, i64 %arg.out.3, ptr %arg.out.4, i64 %arg.out.5.0, i64 %arg.out.5.1, i64 %arg.out.6.0, i64 %arg.out.6.1, ptr readnone %arg.gains.0, ptr readnone %arg.gains.1, i64 %arg.gains.2, i64 %arg.gains.3, ptr readonly %arg.gains.4, i64 %arg.gains.5.0, i64 %arg.gains.6.0) local_unnamed_addr #0 {
entry:
  %.121163.not = icmp slt i64 %arg.gains.5.0, 1
  br i1 %.121163.not, label %B162, label %B60.if.lver.check

B60.if.lver.check:                                ; preds = %entry
  %ident.check.not = icmp eq i64 %arg.out.5.1, 1
  br i1 %ident.check.not, label %B60.if.ph, label %B60.if.lver.orig

B60.if.lver.orig:                                 ; preds = %B60.if.lver.check, %B60.if.lver.orig
  %.63.0164.lver.orig = phi i64 [ %.134.lver.orig, %B60.if.lver.orig ], [ 0, %B60.if.lver.check ]
  %.134.lver.orig = add nuw nsw i64 %.63.0164.lver.orig, 1
  %.207.lver.orig = mul i64 %.63.0164.lver.orig, %arg.out.5.1
  %.211.lver.orig = getelementptr double, ptr %arg.out.4, i64 %.207.lver.orig
  %.212.lver.orig = load double, ptr %.211.lver.orig, align 8
  %0 = getelementptr double, ptr %arg.gains.4, i64 %.63.0164.lver.orig
  %.242.lver.orig = load double, ptr %0, align 8
  %.243.lver.orig = fmul double %.212.lver.orig, %.242.lver.orig
  store double %.243.lver.orig, ptr %.211.lver.orig, align 8
  %.348.lver.orig = getelementptr i8, ptr %.211.lver.orig, i64 8
  %.349.lver.orig = load double, ptr %.348.lver.orig, align 8
  %.379.lver.orig = load double, ptr %0, align 8
  %.380.lver.orig = fmul double %.349.lver.orig, %.379.lver.orig
  store double %.380.lver.orig, ptr %.348.lver.orig, align 8
  %exitcond.not.lver.orig = icmp eq i64 %arg.gains.5.0, %.134.lver.orig
  br i1 %exitcond.not.lver.orig, label %B162, label %B60.if.lver.orig

B60.if.ph:                                        ; preds = %B60.if.lver.check
  %load_initial = load double, ptr %arg.out.4, align 8
  br label %B60.if

B162:                                             ; preds = %B60.if.lver.orig, %B60.if, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B60.if:                                           ; preds = %B60.if.ph, %B60.if
  %store_forwarded = phi double [ %load_initial, %B60.if.ph ], [ %.380, %B60.if ]
  %.63.0164 = phi i64 [ 0, %B60.if.ph ], [ %.134, %B60.if ]
  %.134 = add nuw nsw i64 %.63.0164, 1
  %.207 = mul nuw i64 %.63.0164, %arg.out.5.1
  %.211 = getelementptr double, ptr %arg.out.4, i64 %.207
  %1 = getelementptr double, ptr %arg.gains.4, i64 %.63.0164
  %.242 = load double, ptr %1, align 8
  %.243 = fmul double %store_forwarded, %.242
  store double %.243, ptr %.211, align 8
  %.348 = getelementptr i8, ptr %.211, i64 8
  %.349 = load double, ptr %.348, align 8
  %.379 = load double, ptr %1, align 8
  %.380 = fmul double %.349, %.379
  store double %.380, ptr %.348, align 8
  %exitcond.not = icmp eq i64 %arg.gains.5.0, %.134
  br i1 %exitcond.not, label %B162, label %B60.if
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
