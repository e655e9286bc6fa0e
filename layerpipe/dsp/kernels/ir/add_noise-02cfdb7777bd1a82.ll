; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_add_noise_02cfdb7777bd1a82(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, i64 %arg.start, i64 %arg.key, double %arg.step, ptr readnone %arg.samples.0, ptr readnone %arg.samples.1, i64 %arg.samples.2, i64 %arg.samples.3, ptr readonly %arg.samples.4, i64 %arg.samples.5.0, i64 %arg.samples.6.0, ptr readnone %arg.out.0, ptr readnone %arg.out.1, i64 %arg.out.2, i64 %arg.out.3, ptr writeonly %arg.out.4, i64 %arg.out.5.0, i64 %arg.out.6.0) local_unnamed_addr #0 {
entry:
  %.12788.not = icmp slt i64 %arg.samples.5.0, 1
  br i1 %.12788.not, label %B608, label %B112.if.preheader

B112.if.preheader:                                ; preds = %entry
  %.31 = mul i64 %arg.start, -7046029254386353131
  %.32 = add i64 %arg.key, %.31
  br label %B112.if

B608:                                             ; preds = %B112.if, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B112.if:                                          ; preds = %B112.if.preheader, %B112.if
  %state.2.091 = phi i64 [ %.166, %B112.if ], [ %.32, %B112.if.preheader ]
  %.69.089 = phi i64 [ %.140, %B112.if ], [ 0, %B112.if.preheader ]
  %.140 = add nuw nsw i64 %.69.089, 1
  %.166 = add i64 %state.2.091, -7046029254386353131
  %.169 = lshr i64 %.166, 30
  %.170 = xor i64 %.169, %.166
  %.171 = mul i64 %.170, -4658895280553007687
  %.172 = lshr i64 %.171, 27
  %.173 = xor i64 %.172, %.171
  %.174 = mul i64 %.173, -7723592293110705685
  %.175 = lshr i64 %.174, 31
  %.176 = xor i64 %.175, %.174
  %.177 = and i64 %.176, 4294967295
  %.179 = lshr i64 %.176, 32
  %0 = getelementptr double, ptr %arg.samples.4, i64 %.69.089
  %.210 = load double, ptr %0, align 8
  %1 = sub nsw i64 %.177, %.179
  %.211 = sitofp i64 %1 to double
  %.213 = fmul double %arg.step, %.211
  %.214 = fadd double %.213, %.210
  %2 = getelementptr double, ptr %arg.out.4, i64 %.69.089
  store double %.214, ptr %2, align 8
  %exitcond.not = icmp eq i64 %arg.samples.5.0, %.140
  br i1 %exitcond.not, label %B608, label %B112.if
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
