; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_run_one_section_e96ce82055dae156(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, double %arg.b0, double %arg.b1, double %arg.b2, double %arg.a1, double %arg.a2, ptr readnone %arg.samples.0, ptr readnone %arg.samples.1, i64 %arg.samples.2, i64 %arg.samples.3, ptr readonly %arg.samples.4, i64 %arg.samples.5.0, i64 %arg.samples.6.0, ptr readnone %arg.state.0, ptr readnone %arg.state.1, i64 %arg.state.2, i64 %arg.state.3, ptr %arg.state.4, i64 %arg.state.5.0, i64 %arg.state.6.0, ptr readnone %arg.out.0, ptr readnone %arg.out.1, i64 %arg.out.2, i64 %arg.out.3, ptr writeonly %arg.out.4, i64 %arg.out.5.0, i64 %arg.out.6.0) local_unnamed_addr #0 {
entry:
  %.81 = load double, ptr %arg.state.4, align 8
  %.110 = getelementptr i8, ptr %arg.state.4, i64 8
  %.111 = load double, ptr %.110, align 8
  %.209144.not = icmp slt i64 %arg.samples.5.0, 1
  br i1 %.209144.not, label %B190, label %B92.if

B190:                                             ; preds = %B92.if, %entry
  %z1.2.0.lcssa = phi double [ %.111, %entry ], [ %.294, %B92.if ]
  %z0.2.0.lcssa = phi double [ %.81, %entry ], [ %.287, %B92.if ]
  store double %z0.2.0.lcssa, ptr %arg.state.4, align 8
  store double %z1.2.0.lcssa, ptr %.110, align 8
  store ptr null, ptr %retptr, align 8
  ret i32 0

B92.if:                                           ; preds = %entry, %B92.if
  %z0.2.0148 = phi double [ %.287, %B92.if ], [ %.81, %entry ]
  %z1.2.0147 = phi double [ %.294, %B92.if ], [ %.111, %entry ]
  %.151.0145 = phi i64 [ %.222, %B92.if ], [ 0, %entry ]
  %.222 = add nuw nsw i64 %.151.0145, 1
  %0 = getelementptr double, ptr %arg.samples.4, i64 %.151.0145
  %.276 = load double, ptr %0, align 8
  %.278 = fmul double %arg.b0, %.276
  %.280 = fadd double %z0.2.0148, %.278
  %.282 = fmul double %arg.b1, %.276
  %.284 = fmul double %arg.a1, %.280
  %.285 = fsub double %.282, %.284
  %.287 = fadd double %z1.2.0147, %.285
  %.291 = fmul double %arg.b2, %.276
  %.293 = fmul double %arg.a2, %.280
  %.294 = fsub double %.291, %.293
  %1 = getelementptr double, ptr %arg.out.4, i64 %.151.0145
  store double %.280, ptr %1, align 8
  %exitcond.not = icmp eq i64 %arg.samples.5.0, %.222
  br i1 %exitcond.not, label %B190, label %B92.if
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
