; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_find_extremes_1efdd2cb9895afdf(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.samples.0, ptr readnone %arg.samples.1, i64 %arg.samples.2, i64 %arg.samples.3, ptr readonly %arg.samples.4, i64 %arg.samples.5.0, i64 %arg.samples.6.0, ptr readnone %arg.starts.0, ptr readnone %arg.starts.1, i64 %arg.starts.2, i64 %arg.starts.3, ptr readonly %arg.starts.4, i64 %arg.starts.5.0, i64 %arg.starts.6.0, ptr readnone %arg.lows.0, ptr readnone %arg.lows.1, i64 %arg.lows.2, i64 %arg.lows.3, ptr writeonly %arg.lows.4, i64 %arg.lows.5.0, i64 %arg.lows.6.0, ptr readnone %arg.highs.0, ptr readnone %arg.highs.1, i64 %arg.highs.2, i64 %arg.highs.3, ptr writeonly %arg.highs.4, i64 %arg.highs.5.0, i64 %arg.highs.6.0) local_unnamed_addr #0 {
entry:
  %.139315.not = icmp slt i64 %arg.starts.5.0, 1
  br i1 %.139315.not, label %B398, label %B60.if

B108:                                             ; preds = %B60.if
  %0 = getelementptr i64, ptr %arg.starts.4, i64 %.152
  %.225 = load i64, ptr %0, align 8
  br label %B158

B158:                                             ; preds = %B60.if, %B108
  %"$phi158.1.2.1" = phi i64 [ %.225, %B108 ], [ %arg.samples.5.0, %B60.if ]
  %1 = getelementptr i64, ptr %arg.starts.4, i64 %.81.0317
  %.276 = load i64, ptr %1, align 8
  %.313 = icmp slt i64 %.276, 0
  %.314 = select i1 %.313, i64 %arg.samples.5.0, i64 0
  %.315 = add i64 %.314, %.276
  %.318 = icmp slt i64 %.315, 0
  br i1 %.318, label %B158.else.if, label %B158.else.endif, !prof !0

B374:                                             ; preds = %B280.if, %B158.endif
  %high.2.1.lcssa = phi i32 [ %.477, %B158.endif ], [ %.11.i308, %B280.if ]
  %low.2.1.lcssa = phi i32 [ %.477, %B158.endif ], [ %.11.i, %B280.if ]
  %2 = getelementptr i32, ptr %arg.lows.4, i64 %.81.0317
  store i32 %low.2.1.lcssa, ptr %2, align 4
  %3 = getelementptr i32, ptr %arg.highs.4, i64 %.81.0317
  store i32 %high.2.1.lcssa, ptr %3, align 4
  %exitcond318.not = icmp eq i64 %arg.starts.5.0, %.152
  br i1 %exitcond318.not, label %B398, label %B60.if

B398:                                             ; preds = %B374, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B60.if:                                           ; preds = %entry, %B374
  %.81.0317 = phi i64 [ %.152, %B374 ], [ 0, %entry ]
  %.152 = add nuw nsw i64 %.81.0317, 1
  %.192 = icmp slt i64 %.152, %arg.starts.5.0
  br i1 %.192, label %B108, label %B158

B158.endif:                                       ; preds = %B158.else.endif.endif.endif, %B158.else.endif.endif.endif.if
  %.303.sroa.13.0 = phi i64 [ %arg.samples.5.0, %B158.else.endif.endif.endif.if ], [ %.303.sroa.13.1, %B158.else.endif.endif.endif ]
  %.391 = sub i64 %.303.sroa.13.0, %.303.sroa.0.3
  %.416 = getelementptr i32, ptr %arg.samples.4, i64 %.303.sroa.0.3
  %.477 = load i32, ptr %.416, align 4
  %.603309.not = icmp slt i64 %.391, 1
  br i1 %.603309.not, label %B374, label %B280.if

B158.else.if:                                     ; preds = %B158
  br label %B158.else.endif

B158.else.endif:                                  ; preds = %B158.else.if, %B158
  %.303.sroa.0.1 = phi i64 [ 0, %B158.else.if ], [ %.315, %B158 ]
  %.323.not = icmp slt i64 %.315, %arg.samples.5.0
  br i1 %.323.not, label %B158.else.endif.endif, label %B158.else.endif.if, !prof !1

B158.else.endif.if:                               ; preds = %B158.else.endif
  br label %B158.else.endif.endif

B158.else.endif.endif:                            ; preds = %B158.else.endif.if, %B158.else.endif
  %.303.sroa.0.3 = phi i64 [ %arg.samples.5.0, %B158.else.endif.if ], [ %.303.sroa.0.1, %B158.else.endif ]
  %.330 = icmp slt i64 %"$phi158.1.2.1", 0
  %.331 = select i1 %.330, i64 %arg.samples.5.0, i64 0
  %.332 = add i64 %.331, %"$phi158.1.2.1"
  %.335 = icmp slt i64 %.332, 0
  br i1 %.335, label %B158.else.endif.endif.if, label %B158.else.endif.endif.endif, !prof !0

B158.else.endif.endif.if:                         ; preds = %B158.else.endif.endif
  br label %B158.else.endif.endif.endif

B158.else.endif.endif.endif:                      ; preds = %B158.else.endif.endif.if, %B158.else.endif.endif
  %.303.sroa.13.1 = phi i64 [ 0, %B158.else.endif.endif.if ], [ %.332, %B158.else.endif.endif ]
  %.340.not = icmp slt i64 %.332, %arg.samples.5.0
  br i1 %.340.not, label %B158.endif, label %B158.else.endif.endif.endif.if, !prof !1

B158.else.endif.endif.endif.if:                   ; preds = %B158.else.endif.endif.endif
  br label %B158.endif

B280.if:                                          ; preds = %B158.endif, %B280.if
  %low.2.1313 = phi i32 [ %.11.i, %B280.if ], [ %.477, %B158.endif ]
  %high.2.1312 = phi i32 [ %.11.i308, %B280.if ], [ %.477, %B158.endif ]
  %.547.0310 = phi i64 [ %.616, %B280.if ], [ 0, %B158.endif ]
  %.616 = add nuw nsw i64 %.547.0310, 1
  %4 = getelementptr i32, ptr %.416, i64 %.547.0310
  %.670 = load i32, ptr %4, align 4
  %.11.i = tail call i32 @llvm.smin.i32(i32 %.670, i32 %low.2.1313)
  %.11.i308 = tail call i32 @llvm.smax.i32(i32 %.670, i32 %high.2.1312)
  %exitcond.not = icmp eq i64 %.391, %.616
  br i1 %exitcond.not, label %B374, label %B280.if
}

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i32 @llvm.smin.i32(i32, i32) #1

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i32 @llvm.smax.i32(i32, i32) #1

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{!"branch_weights", i32 99, i32 1}
