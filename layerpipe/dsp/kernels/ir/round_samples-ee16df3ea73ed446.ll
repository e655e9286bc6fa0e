; gives back a whole number
; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_round_samples_ee16df3ea73ed446(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.samples.0, ptr readnone %arg.samples.1, i64 %arg.samples.2, i64 %arg.samples.3, ptr readonly %arg.samples.4, i64 %arg.samples.5.0, i64 %arg.samples.6.0, double %arg.gain, double %arg.scale, ptr readnone %arg.pcm.0, ptr readnone %arg.pcm.1, i64 %arg.pcm.2, i64 %arg.pcm.3, ptr writeonly %arg.pcm.4, i64 %arg.pcm.5.0, i64 %arg.pcm.6.0) local_unnamed_addr #0 {
entry:
  %.33 = fneg double %arg.scale
  %.35 = fadd double %arg.scale, -1.000000e+00
  %.13693.not = icmp slt i64 %arg.samples.5.0, 1
  br i1 %.13693.not, label %B290, label %B80.if

B290:                                             ; preds = %B80.if, %entry
  %misfits.2.0.lcssa = phi i64 [ 0, %entry ], [ %.273, %B80.if ]
  store i64 %misfits.2.0.lcssa, ptr %retptr, align 8
  ret i32 0

B80.if:                                           ; preds = %entry, %B80.if
  %misfits.2.096 = phi i64 [ %.273, %B80.if ], [ 0, %entry ]
  %.78.094 = phi i64 [ %.149, %B80.if ], [ 0, %entry ]
  %.149 = add nuw nsw i64 %.78.094, 1
  %0 = getelementptr double, ptr %arg.samples.4, i64 %.78.094
  %.207 = load double, ptr %0, align 8
  %.209 = fmul double %arg.gain, %.207
  %.211 = fmul double %arg.scale, %.209
  %.219.le = tail call double @llvm.rint.f64(double %.211)
  %.229 = fcmp ogt double %.219.le, %.33
  %"$phi202.1.2.1" = select i1 %.229, double %.219.le, double %.33
  %.248 = fcmp olt double %"$phi202.1.2.1", %.35
  %"$phi222.1.2.1" = select i1 %.248, double %"$phi202.1.2.1", double %.35
  %.267 = fcmp une double %"$phi222.1.2.1", %.219.le
  %.272 = zext i1 %.267 to i64
  %.273 = add nuw nsw i64 %misfits.2.096, %.272
  %.276 = fptosi double %"$phi222.1.2.1" to i32
  %1 = getelementptr i32, ptr %arg.pcm.4, i64 %.78.094
  store i32 %.276, ptr %1, align 4
  %exitcond.not = icmp eq i64 %arg.samples.5.0, %.149
  br i1 %exitcond.not, label %B290, label %B80.if
}

; Function Attrs: mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare double @llvm.rint.f64(double) #1

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none) }
