; gives back a whole number
; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_find_equal_9c3f20a9bd1d0499(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.values.0, ptr readnone %arg.values.1, i64 %arg.values.2, i64 %arg.values.3, ptr readonly %arg.values.4, i64 %arg.values.5.0, i64 %arg.values.6.0, ptr readnone %arg.table.0, ptr readnone %arg.table.1, i64 %arg.table.2, i64 %arg.table.3, ptr %arg.table.4, i64 %arg.table.5.0, i64 %arg.table.6.0, ptr readnone %arg.latest.0, ptr readnone %arg.latest.1, i64 %arg.latest.2, i64 %arg.latest.3, ptr %arg.latest.4, i64 %arg.latest.5.0, i64 %arg.latest.6.0, ptr readnone %arg.pairs.0, ptr readnone %arg.pairs.1, i64 %arg.pairs.2, i64 %arg.pairs.3, ptr writeonly %arg.pairs.4, i64 %arg.pairs.5.0, i64 %arg.pairs.5.1, i64 %arg.pairs.6.0, i64 %arg.pairs.6.1) local_unnamed_addr #0 {
entry:
  %.62 = add nsw i64 %arg.table.5.0, -1
  %.253 = icmp slt i64 %arg.latest.5.0, 1
  br i1 %.253, label %B0.endif.else.endif.if, label %B0.endif.else.endif.endif.endif.if, !prof !0

B246:                                             ; preds = %B114.if
  %.615 = getelementptr i64, ptr %arg.table.4, i64 %.538
  %.616 = load i64, ptr %.615, align 8
  %.620.not = icmp eq i64 %.616, %.531
  br i1 %.620.not, label %B334, label %B270

B270:                                             ; preds = %B246, %B310
  %at.2.2 = phi i64 [ %.630, %B310 ], [ %.538, %B246 ]
  %.626 = add nsw i64 %at.2.2, 1
  %.630 = and i64 %.626, %.62
  %.651 = icmp slt i64 %.630, 0
  %.652 = select i1 %.651, i64 %arg.latest.5.0, i64 0
  %0 = getelementptr i64, ptr %arg.latest.4, i64 %.630
  %.666 = getelementptr i64, ptr %0, i64 %.652
  %.667 = load i64, ptr %.666, align 8
  %.668 = icmp sgt i64 %.667, -1
  br i1 %.668, label %B310, label %B334

B310:                                             ; preds = %B270
  %.691 = select i1 %.651, i64 %arg.table.5.0, i64 0
  %1 = getelementptr i64, ptr %arg.table.4, i64 %.630
  %.705 = getelementptr i64, ptr %1, i64 %.691
  %.706 = load i64, ptr %.705, align 8
  %.710.not = icmp eq i64 %.706, %.531
  br i1 %.710.not, label %B334, label %B270

B334:                                             ; preds = %B310, %B270, %B246, %B114.if
  %at.3.1 = phi i64 [ %.538, %B246 ], [ %.538, %B114.if ], [ %.630, %B270 ], [ %.630, %B310 ]
  %.741 = icmp slt i64 %at.3.1, 0
  %.742 = select i1 %.741, i64 %arg.latest.5.0, i64 0
  %2 = getelementptr i64, ptr %arg.latest.4, i64 %at.3.1
  %.756 = getelementptr i64, ptr %2, i64 %.742
  %.757 = load i64, ptr %.756, align 8
  %.758 = icmp sgt i64 %.757, -1
  br i1 %.758, label %B358, label %B410

B358:                                             ; preds = %B334
  %.818 = icmp slt i64 %found.2.0356, 0
  %.819 = select i1 %.818, i64 %arg.pairs.5.0, i64 0
  %.820 = add i64 %.819, %found.2.0356
  %.840 = mul i64 %.820, %arg.pairs.5.1
  %.844 = getelementptr i64, ptr %arg.pairs.4, i64 %.840
  store i64 %.757, ptr %.844, align 8
  %.900 = getelementptr i8, ptr %.844, i64 8
  store i64 %.402.0354, ptr %.900, align 8
  %.903 = add nsw i64 %found.2.0356, 1
  br label %B410

B410:                                             ; preds = %B358, %B334
  %found.3.1 = phi i64 [ %.903, %B358 ], [ %found.2.0356, %B334 ]
  %.930 = select i1 %.741, i64 %arg.table.5.0, i64 0
  %3 = getelementptr i64, ptr %arg.table.4, i64 %at.3.1
  %.944 = getelementptr i64, ptr %3, i64 %.930
  store i64 %.531, ptr %.944, align 8
  store i64 %.402.0354, ptr %.756, align 8
  %exitcond.not = icmp eq i64 %arg.values.5.0, %.473
  br i1 %exitcond.not, label %B434, label %B114.if

B434:                                             ; preds = %B410, %.319.if
  %found.2.0.lcssa = phi i64 [ 0, %.319.if ], [ %found.3.1, %B410 ]
  store i64 %found.2.0.lcssa, ptr %retptr, align 8
  ret i32 0

B0.endif.else.endif.if:                           ; preds = %entry
  br label %B0.endif.else.endif.endif.endif.if

B0.endif.else.endif.endif.endif.if:               ; preds = %B0.endif.else.endif.if, %entry
  %.228.sroa.0.3 = phi i64 [ %arg.latest.5.0, %B0.endif.else.endif.if ], [ 0, %entry ]
  %.349.not351 = icmp slt i64 %.228.sroa.0.3, %arg.latest.5.0
  br i1 %.349.not351, label %.319.endif.preheader, label %.319.if, !prof !1

.319.endif.preheader:                             ; preds = %B0.endif.else.endif.endif.endif.if
  %4 = shl i64 %.228.sroa.0.3, 3
  %scevgep = getelementptr i8, ptr %arg.latest.4, i64 %4
  %5 = sub i64 %arg.latest.5.0, %.228.sroa.0.3
  %6 = shl i64 %5, 3
  tail call void @llvm.memset.p0.i64(ptr align 8 %scevgep, i8 -1, i64 %6, i1 false)
  br label %.319.if

.319.if:                                          ; preds = %.319.endif.preheader, %B0.endif.else.endif.endif.endif.if
  %.460353.not = icmp slt i64 %arg.values.5.0, 1
  br i1 %.460353.not, label %B434, label %B114.if

B114.if:                                          ; preds = %.319.if, %B410
  %found.2.0356 = phi i64 [ %found.3.1, %B410 ], [ 0, %.319.if ]
  %.402.0354 = phi i64 [ %.473, %B410 ], [ 0, %.319.if ]
  %.473 = add nuw nsw i64 %.402.0354, 1
  %7 = getelementptr i64, ptr %arg.values.4, i64 %.402.0354
  %.531 = load i64, ptr %7, align 8
  %.536 = lshr i64 %.531, 43
  %.538 = and i64 %.536, %.62
  %.575 = getelementptr i64, ptr %arg.latest.4, i64 %.538
  %.576 = load i64, ptr %.575, align 8
  %.577 = icmp sgt i64 %.576, -1
  br i1 %.577, label %B246, label %B334
}

; Function Attrs: nocallback nofree nounwind willreturn memory(argmem: write)
declare void @llvm.memset.p0.i64(ptr writeonly, i8, i64, i1 immarg) #1

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nounwind willreturn memory(argmem: write) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{!"branch_weights", i32 127, i32 1}
