; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_average_lines_bda32dc9df9df8b5(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.spectrum.0, ptr readnone %arg.spectrum.1, i64 %arg.spectrum.2, i64 %arg.spectrum.3, ptr readonly %arg.spectrum.4, i64 %arg.spectrum.5.0, i64 %arg.spectrum.6.0, ptr readnone %arg.apart.0, ptr readnone %arg.apart.1, i64 %arg.apart.2, i64 %arg.apart.3, ptr readonly %arg.apart.4, i64 %arg.apart.5.0, i64 %arg.apart.6.0, i64 %arg.first, i64 %arg.stop, ptr readnone %arg.means.0, ptr readnone %arg.means.1, i64 %arg.means.2, i64 %arg.means.3, ptr writeonly %arg.means.4, i64 %arg.means.5.0, i64 %arg.means.6.0) local_unnamed_addr #0 {
entry:
  %.134153.not = icmp slt i64 %arg.apart.5.0, 1
  br i1 %.134153.not, label %B242, label %B60.if.lr.ph

B60.if.lr.ph:                                     ; preds = %entry
  %.216 = sub i64 %arg.stop, %arg.first
  %storemerge146 = tail call i64 @llvm.smax.i64(i64 %.216, i64 0)
  %.259148.not = icmp slt i64 %.216, 1
  %.386 = sitofp i64 %.216 to double
  br label %B60.if

B218:                                             ; preds = %B100.if, %B60.if
  %total.2.1.lcssa = phi double [ 0.000000e+00, %B60.if ], [ %.374, %B100.if ]
  %.390 = fdiv double %total.2.1.lcssa, %.386
  %0 = getelementptr double, ptr %arg.means.4, i64 %.76.0154
  store double %.390, ptr %0, align 8
  %exitcond.not = icmp eq i64 %.147, %arg.apart.5.0
  br i1 %exitcond.not, label %B242, label %B60.if

B242:                                             ; preds = %B218, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B60.if:                                           ; preds = %B60.if.lr.ph, %B218
  %.76.0154 = phi i64 [ 0, %B60.if.lr.ph ], [ %.147, %B218 ]
  %.147 = add nuw nsw i64 %.76.0154, 1
  br i1 %.259148.not, label %B218, label %B100.if.lr.ph

B100.if.lr.ph:                                    ; preds = %B60.if
  %1 = getelementptr double, ptr %arg.apart.4, i64 %.76.0154
  %.327 = load double, ptr %1, align 8
  br label %B100.if

B100.if:                                          ; preds = %B100.if.lr.ph, %B100.if
  %total.2.1151 = phi double [ 0.000000e+00, %B100.if.lr.ph ], [ %.374, %B100.if ]
  %.206.0150 = phi i64 [ %storemerge146, %B100.if.lr.ph ], [ %.268, %B100.if ]
  %.203.0149 = phi i64 [ %arg.first, %B100.if.lr.ph ], [ %.272, %B100.if ]
  %.268 = add nsw i64 %.206.0150, -1
  %.272 = add i64 %.203.0149, 1
  %2 = sitofp i64 %.203.0149 to double
  %.329 = fmul double %.327, %2
  %.337.le = tail call double @llvm.rint.f64(double %.329)
  %.342 = fptosi double %.337.le to i64
  %.356 = icmp slt i64 %.342, 0
  %.357 = select i1 %.356, i64 %arg.spectrum.5.0, i64 0
  %3 = getelementptr double, ptr %arg.spectrum.4, i64 %.357
  %.371 = getelementptr double, ptr %3, i64 %.342
  %.372 = load double, ptr %.371, align 8
  %.374 = fadd double %total.2.1151, %.372
  %.259 = icmp sgt i64 %.206.0150, 1
  br i1 %.259, label %B100.if, label %B218
}

; Function Attrs: mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare double @llvm.rint.f64(double) #1

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smax.i64(i64, i64) #2

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none) }
attributes #2 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }
