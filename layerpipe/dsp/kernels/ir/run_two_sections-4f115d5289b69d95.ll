; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_run_two_sections_4f115d5289b69d95(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.first.0, ptr readnone %arg.first.1, i64 %arg.first.2, i64 %arg.first.3, ptr readonly %arg.first.4, i64 %arg.first.5.0, i64 %arg.first.6.0, ptr readnone %arg.second.0, ptr readnone %arg.second.1, i64 %arg.second.2, i64 %arg.second.3, ptr readonly %arg.second.4, i64 %arg.second.5.0, i64 %arg.second.6.0, ptr readnone %arg.samples.0, ptr readnone %arg.samples.1, i64 %arg.samples.2, i64 %arg.samples.3, ptr readonly %arg.samples.4, i64 %arg.samples.5.0, i64 %arg.samples.6.0, ptr readnone %arg.state.0, ptr readnone %arg.state.1, i64 %arg.state.2, i64 %arg.state.3, ptr %arg.state.4, i64 %arg.state.5.0, i64 %arg.state.5.1, i64 %arg.state.6.0, i64 %arg.state.6.1, ptr readnone %arg.out.0, ptr readnone %arg.out.1, i64 %arg.out.2, i64 %arg.out.3, ptr writeonly %arg.out.4, i64 %arg.out.5.0, i64 %arg.out.6.0) local_unnamed_addr #0 {
entry:
  %.87 = load double, ptr %arg.first.4, align 8
  %.115 = getelementptr i8, ptr %arg.first.4, i64 8
  %.116 = load double, ptr %.115, align 8
  %.144 = getelementptr i8, ptr %arg.first.4, i64 16
  %.145 = load double, ptr %.144, align 8
  %.173 = getelementptr i8, ptr %arg.first.4, i64 32
  %.174 = load double, ptr %.173, align 8
  %.202 = getelementptr i8, ptr %arg.first.4, i64 40
  %.203 = load double, ptr %.202, align 8
  %.257 = load double, ptr %arg.second.4, align 8
  %.285 = getelementptr i8, ptr %arg.second.4, i64 8
  %.286 = load double, ptr %.285, align 8
  %.314 = getelementptr i8, ptr %arg.second.4, i64 16
  %.315 = load double, ptr %.314, align 8
  %.343 = getelementptr i8, ptr %arg.second.4, i64 32
  %.344 = load double, ptr %.343, align 8
  %.372 = getelementptr i8, ptr %arg.second.4, i64 40
  %.373 = load double, ptr %.372, align 8
  %.452 = load double, ptr %arg.state.4, align 8
  %.505 = getelementptr i8, ptr %arg.state.4, i64 8
  %.506 = load double, ptr %.505, align 8
  %.559 = getelementptr double, ptr %arg.state.4, i64 %arg.state.5.1
  %.560 = load double, ptr %.559, align 8
  %.613 = getelementptr i8, ptr %.559, i64 8
  %.614 = load double, ptr %.613, align 8
  %.726392.not = icmp slt i64 %arg.samples.5.0, 1
  br i1 %.726392.not, label %B466, label %B302.if

B466:                                             ; preds = %B302.if, %entry
  %z0.2.0.lcssa = phi double [ %.452, %entry ], [ %.804, %B302.if ]
  %z1.2.0.lcssa = phi double [ %.506, %entry ], [ %.811, %B302.if ]
  %w0.2.0.lcssa = phi double [ %.560, %entry ], [ %.824, %B302.if ]
  %w1.2.0.lcssa = phi double [ %.614, %entry ], [ %.831, %B302.if ]
  store double %z0.2.0.lcssa, ptr %arg.state.4, align 8
  store double %z1.2.0.lcssa, ptr %.505, align 8
  store double %w0.2.0.lcssa, ptr %.559, align 8
  store double %w1.2.0.lcssa, ptr %.613, align 8
  store ptr null, ptr %retptr, align 8
  ret i32 0

B302.if:                                          ; preds = %entry, %B302.if
  %w1.2.0398 = phi double [ %.831, %B302.if ], [ %.614, %entry ]
  %w0.2.0397 = phi double [ %.824, %B302.if ], [ %.560, %entry ]
  %z1.2.0396 = phi double [ %.811, %B302.if ], [ %.506, %entry ]
  %z0.2.0395 = phi double [ %.804, %B302.if ], [ %.452, %entry ]
  %.668.0393 = phi i64 [ %.739, %B302.if ], [ 0, %entry ]
  %.739 = add nuw nsw i64 %.668.0393, 1
  %0 = getelementptr double, ptr %arg.samples.4, i64 %.668.0393
  %.793 = load double, ptr %0, align 8
  %.795 = fmul double %.87, %.793
  %.797 = fadd double %z0.2.0395, %.795
  %.799 = fmul double %.116, %.793
  %.801 = fmul double %.174, %.797
  %.802 = fsub double %.799, %.801
  %.804 = fadd double %z1.2.0396, %.802
  %.808 = fmul double %.145, %.793
  %.810 = fmul double %.203, %.797
  %.811 = fsub double %.808, %.810
  %.815 = fmul double %.257, %.797
  %.817 = fadd double %w0.2.0397, %.815
  %.819 = fmul double %.286, %.797
  %.821 = fmul double %.344, %.817
  %.822 = fsub double %.819, %.821
  %.824 = fadd double %w1.2.0398, %.822
  %.828 = fmul double %.315, %.797
  %.830 = fmul double %.373, %.817
  %.831 = fsub double %.828, %.830
  %1 = getelementptr double, ptr %arg.out.4, i64 %.668.0393
  store double %.817, ptr %1, align 8
  %exitcond.not = icmp eq i64 %arg.samples.5.0, %.739
  br i1 %exitcond.not, label %B466, label %B302.if
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
