; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_extrapolate_7f8ee098cf5e2478(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.predictor.0, ptr readnone %arg.predictor.1, i64 %arg.predictor.2, i64 %arg.predictor.3, ptr readonly %arg.predictor.4, i64 %arg.predictor.5.0, i64 %arg.predictor.6.0, ptr readnone %arg.sound.0, ptr readnone %arg.sound.1, i64 %arg.sound.2, i64 %arg.sound.3, ptr %arg.sound.4, i64 %arg.sound.5.0, i64 %arg.sound.6.0) local_unnamed_addr #0 {
entry:
  %.36 = add i64 %arg.predictor.5.0, -1
  %.87 = sub i64 %arg.sound.5.0, %.36
  %.132154.not = icmp slt i64 %.87, 1
  br i1 %.132154.not, label %B210, label %B98.if.lr.ph

B98.if.lr.ph:                                     ; preds = %entry
  %storemerge149 = tail call i64 @llvm.smax.i64(i64 %.36, i64 0)
  %.257150.not = icmp slt i64 %.36, 1
  br label %B98.if

B196:                                             ; preds = %B144.if, %B98.if
  %total.2.1.lcssa = phi double [ 0.000000e+00, %B98.if ], [ %.359, %B144.if ]
  %.368 = fneg double %total.2.1.lcssa
  %.385 = icmp slt i64 %.74.0155, 0
  %.386 = select i1 %.385, i64 %arg.sound.5.0, i64 0
  %0 = getelementptr double, ptr %arg.sound.4, i64 %.74.0155
  %.400 = getelementptr double, ptr %0, i64 %.386
  store double %.368, ptr %.400, align 8
  %.132 = icmp sgt i64 %.77.0156, 1
  br i1 %.132, label %B98.if, label %B210

B210:                                             ; preds = %B196, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B98.if:                                           ; preds = %B98.if.lr.ph, %B196
  %.77.0156 = phi i64 [ %.87, %B98.if.lr.ph ], [ %.141, %B196 ]
  %.74.0155 = phi i64 [ %.36, %B98.if.lr.ph ], [ %.145, %B196 ]
  %.141 = add nsw i64 %.77.0156, -1
  %.145 = add i64 %.74.0155, 1
  br i1 %.257150.not, label %B196, label %B144.if

B144.if:                                          ; preds = %B98.if, %B144.if
  %total.2.1153 = phi double [ %.359, %B144.if ], [ 0.000000e+00, %B98.if ]
  %.201.0151 = phi i64 [ %.270, %B144.if ], [ 1, %B98.if ]
  %.270 = add nuw i64 %.201.0151, 1
  %1 = getelementptr double, ptr %arg.predictor.4, i64 %.201.0151
  %.324 = load double, ptr %1, align 8
  %.326 = sub nsw i64 %.74.0155, %.201.0151
  %.340 = icmp slt i64 %.326, 0
  %.341 = select i1 %.340, i64 %arg.sound.5.0, i64 0
  %2 = getelementptr double, ptr %arg.sound.4, i64 %.326
  %.355 = getelementptr double, ptr %2, i64 %.341
  %.356 = load double, ptr %.355, align 8
  %.357 = fmul double %.324, %.356
  %.359 = fadd double %total.2.1153, %.357
  %exitcond.not = icmp eq i64 %.201.0151, %storemerge149
  br i1 %exitcond.not, label %B196, label %B144.if
}

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smax.i64(i64, i64) #1

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }
