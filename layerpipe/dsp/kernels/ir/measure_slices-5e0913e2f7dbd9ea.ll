; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_measure_slices_5e0913e2f7dbd9ea(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.sound.0, ptr readnone %arg.sound.1, i64 %arg.sound.2, i64 %arg.sound.3, ptr readonly %arg.sound.4, i64 %arg.sound.5.0, i64 %arg.sound.6.0, ptr readnone %arg.powers.0, ptr readnone %arg.powers.1, i64 %arg.powers.2, i64 %arg.powers.3, ptr writeonly %arg.powers.4, i64 %arg.powers.5.0, i64 %arg.powers.6.0, ptr readnone %arg.crests.0, ptr readnone %arg.crests.1, i64 %arg.crests.2, i64 %arg.crests.3, ptr writeonly %arg.crests.4, i64 %arg.crests.5.0, i64 %arg.crests.6.0) local_unnamed_addr #0 {
entry:
  %.11.i = tail call i64 @llvm.smax.i64(i64 %arg.powers.5.0, i64 1)
  %.105 = sdiv i64 %arg.sound.5.0, %.11.i
  %.106 = srem i64 %arg.sound.5.0, %.11.i
  %.106.lobit = ashr i64 %.106, 63
  %spec.select = add i64 %.106.lobit, %.105
  %.219203.not = icmp slt i64 %arg.powers.5.0, 1
  br i1 %.219203.not, label %B342, label %B150.if.lr.ph

B150.if.lr.ph:                                    ; preds = %entry
  %storemerge196 = tail call i64 @llvm.smax.i64(i64 %spec.select, i64 0)
  %.356197.not = icmp slt i64 %spec.select, 1
  %.504 = sitofp i64 %spec.select to double
  %.552.not = icmp eq i64 %arg.crests.5.0, 0
  br label %B150.if

B284:                                             ; preds = %B214.if, %B150.if
  %total.2.1.lcssa = phi double [ 0.000000e+00, %B150.if ], [ %.460, %B214.if ]
  %highest.2.1.lcssa = phi double [ 0.000000e+00, %B150.if ], [ %.454.highest.2.1, %B214.if ]
  %.508 = fdiv double %total.2.1.lcssa, %.504
  %0 = getelementptr double, ptr %arg.powers.4, i64 %.163.0204
  store double %.508, ptr %0, align 8
  br i1 %.552.not, label %B340, label %B330

B330:                                             ; preds = %B284
  %1 = getelementptr double, ptr %arg.crests.4, i64 %.163.0204
  store double %highest.2.1.lcssa, ptr %1, align 8
  br label %B340

B340:                                             ; preds = %B284, %B330
  %exitcond.not = icmp eq i64 %.232, %arg.powers.5.0
  br i1 %exitcond.not, label %B342, label %B150.if

B342:                                             ; preds = %B340, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B150.if:                                          ; preds = %B150.if.lr.ph, %B340
  %.163.0204 = phi i64 [ 0, %B150.if.lr.ph ], [ %.232, %B340 ]
  %.232 = add nuw nsw i64 %.163.0204, 1
  br i1 %.356197.not, label %B284, label %B214.if.preheader

B214.if.preheader:                                ; preds = %B150.if
  %.272 = mul nuw nsw i64 %.163.0204, %spec.select
  br label %B214.if

B214.if:                                          ; preds = %B214.if.preheader, %B214.if
  %highest.2.1201 = phi double [ %.454.highest.2.1, %B214.if ], [ 0.000000e+00, %B214.if.preheader ]
  %total.2.1200 = phi double [ %.460, %B214.if ], [ 0.000000e+00, %B214.if.preheader ]
  %.303.0199 = phi i64 [ %.365, %B214.if ], [ %storemerge196, %B214.if.preheader ]
  %.300.0198 = phi i64 [ %.369, %B214.if ], [ %.272, %B214.if.preheader ]
  %.365 = add nsw i64 %.303.0199, -1
  %.369 = add i64 %.300.0198, 1
  %.407 = icmp slt i64 %.300.0198, 0
  %.408 = select i1 %.407, i64 %arg.sound.5.0, i64 0
  %2 = getelementptr double, ptr %arg.sound.4, i64 %.300.0198
  %.422 = getelementptr double, ptr %2, i64 %.408
  %.423 = load double, ptr %.422, align 8
  %.454 = fmul double %.423, %.423
  %.460 = fadd double %total.2.1200, %.454
  %.468 = fcmp ogt double %.454, %highest.2.1201
  %.454.highest.2.1 = select i1 %.468, double %.454, double %highest.2.1201
  %.356 = icmp sgt i64 %.303.0199, 1
  br i1 %.356, label %B214.if, label %B284
}

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smax.i64(i64, i64) #1

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }
