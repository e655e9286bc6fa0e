; gives back a whole number
; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_round_samples_435a1c6a1b21d86d(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.samples.0, ptr readnone %arg.samples.1, i64 %arg.samples.2, i64 %arg.samples.3, ptr readonly %arg.samples.4, i64 %arg.samples.5.0, i64 %arg.samples.6.0, double %arg.gain, double %arg.scale, ptr readnone %arg.pcm.0, ptr readnone %arg.pcm.1, i64 %arg.pcm.2, i64 %arg.pcm.3, ptr writeonly %arg.pcm.4, i64 %arg.pcm.5.0, i64 %arg.pcm.6.0) local_unnamed_addr #0 {
entry:
  %.33 = fneg double %arg.scale
  %.35 = fadd double %arg.scale, -1.000000e+00
  %.13693.not = icmp slt i64 %arg.samples.5.0, 1
  br i1 %.13693.not, label %B290, label %B80.if

B290:                                             ; preds = %B80.if, %entry
  %misfits.2.0.lcssa = phi i64 [ 0, %entry ], [ %.274, %B80.if ]
  store i64 %misfits.2.0.lcssa, ptr %retptr, align 8
  ret i32 0

B80.if:                                           ; preds = %entry, %B80.if
  %misfits.2.096 = phi i64 [ %.274, %B80.if ], [ 0, %entry ]
  %.78.094 = phi i64 [ %.149, %B80.if ], [ 0, %entry ]
  %.149 = add nuw nsw i64 %.78.094, 1
  %0 = getelementptr float, ptr %arg.samples.4, i64 %.78.094
  %.207 = load float, ptr %0, align 4
  %.208 = fpext float %.207 to double
  %.210 = fmul double %arg.gain, %.208
  %.212 = fmul double %arg.scale, %.210
  %.220.le = tail call double @llvm.rint.f64(double %.212)
  %.230 = fcmp ogt double %.220.le, %.33
  %"$phi202.1.2.1" = select i1 %.230, double %.220.le, double %.33
  %.249 = fcmp olt double %"$phi202.1.2.1", %.35
  %"$phi222.1.2.1" = select i1 %.249, double %"$phi202.1.2.1", double %.35
  %.268 = fcmp une double %"$phi222.1.2.1", %.220.le
  %.273 = zext i1 %.268 to i64
  %.274 = add nuw nsw i64 %misfits.2.096, %.273
  %.277 = fptosi double %"$phi222.1.2.1" to i32
  %1 = getelementptr i32, ptr %arg.pcm.4, i64 %.78.094
  store i32 %.277, ptr %1, align 4
  %exitcond.not = icmp eq i64 %arg.samples.5.0, %.149
  br i1 %exitcond.not, label %B290, label %B80.if
}

; Function Attrs: mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare double @llvm.rint.f64(double) #1

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none) }
