; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_running_medians_e2def3b3b2125533(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.values.0, ptr readnone %arg.values.1, i64 %arg.values.2, i64 %arg.values.3, ptr readonly %arg.values.4, i64 %arg.values.5.0, i64 %arg.values.6.0, i64 %arg.hop, ptr readnone %arg.ordered.0, ptr readnone %arg.ordered.1, i64 %arg.ordered.2, i64 %arg.ordered.3, ptr %arg.ordered.4, i64 %arg.ordered.5.0, i64 %arg.ordered.6.0, ptr readnone %arg.medians.0, ptr readnone %arg.medians.1, i64 %arg.medians.2, i64 %arg.medians.3, ptr writeonly %arg.medians.4, i64 %arg.medians.5.0, i64 %arg.medians.6.0) local_unnamed_addr #0 {
entry:
  %.135572.not = icmp slt i64 %arg.ordered.5.0, 1
  br i1 %.135572.not, label %B242, label %B64.if

B84:                                              ; preds = %B64.if
  %0 = getelementptr double, ptr %arg.ordered.4, i64 %.77.0573
  %.226 = getelementptr i8, ptr %0, i64 -8
  %.227 = load double, ptr %.226, align 8
  %.257 = getelementptr double, ptr %arg.values.4, i64 %.77.0573
  %.258 = load double, ptr %.257, align 8
  %.259 = fcmp ogt double %.227, %.258
  br i1 %.259, label %B126, label %B218

B126:                                             ; preds = %B84, %B176
  %at.2.2 = phi i64 [ %.265, %B176 ], [ %.77.0573, %B84 ]
  %.265 = add nsw i64 %at.2.2, -1
  %.294 = getelementptr double, ptr %arg.ordered.4, i64 %.265
  %.295 = load double, ptr %.294, align 8
  %.325 = getelementptr double, ptr %arg.ordered.4, i64 %at.2.2
  store double %.295, ptr %.325, align 8
  %.338 = icmp sgt i64 %at.2.2, 1
  br i1 %.338, label %B176, label %B218

B176:                                             ; preds = %B126
  %.378 = getelementptr i8, ptr %.325, i64 -16
  %.379 = load double, ptr %.378, align 8
  %.410 = load double, ptr %.257, align 8
  %.411 = fcmp ogt double %.379, %.410
  br i1 %.411, label %B126, label %B218

B218:                                             ; preds = %B176, %B126, %B84, %B64.if
  %at.3.1 = phi i64 [ %.77.0573, %B84 ], [ 0, %B64.if ], [ %.265, %B176 ], [ 0, %B126 ]
  %1 = getelementptr double, ptr %arg.values.4, i64 %.77.0573
  %.454 = load double, ptr %1, align 8
  %.471 = icmp slt i64 %at.3.1, 0
  %.472 = select i1 %.471, i64 %arg.ordered.5.0, i64 0
  %2 = getelementptr double, ptr %arg.ordered.4, i64 %at.3.1
  %.486 = getelementptr double, ptr %2, i64 %.472
  store double %.454, ptr %.486, align 8
  %exitcond.not = icmp eq i64 %arg.ordered.5.0, %.148
  br i1 %exitcond.not, label %B242, label %B64.if

B242:                                             ; preds = %B218, %entry
  %.585578.not = icmp slt i64 %arg.medians.5.0, 1
  br i1 %.585578.not, label %B834, label %B300.if.lr.ph

B300.if.lr.ph:                                    ; preds = %B242
  %.837 = add nsw i64 %arg.ordered.5.0, -1
  %.847 = icmp sgt i64 %arg.ordered.5.0, 1
  %.1412.0 = ashr i64 %arg.ordered.5.0, 1
  %.1459.inv = icmp sgt i64 %.1412.0, 0
  %.1460 = select i1 %.1459.inv, i64 0, i64 %arg.ordered.5.0
  %3 = getelementptr double, ptr %arg.ordered.4, i64 %.1412.0
  %4 = getelementptr i8, ptr %3, i64 -8
  %.1474 = getelementptr double, ptr %4, i64 %.1460
  %.1530 = icmp slt i64 %.1412.0, 0
  %.1531 = select i1 %.1530, i64 %arg.ordered.5.0, i64 0
  %.1545 = getelementptr double, ptr %3, i64 %.1531
  %5 = add i64 %arg.ordered.5.0, -2
  br label %B300.if

B430:                                             ; preds = %B362.if, %B430
  %high.2.2 = phi i64 [ %high.3.4, %B430 ], [ %.837, %B362.if ]
  %low.4.2 = phi i64 [ %low.5.4, %B430 ], [ 0, %B362.if ]
  %.856 = add nuw nsw i64 %low.4.2, %high.2.2
  %.875571 = lshr i64 %.856, 1
  %.929 = getelementptr double, ptr %arg.ordered.4, i64 %.875571
  %.930 = load double, ptr %.929, align 8
  %.932 = fcmp olt double %.930, %.797
  %.943 = add nuw nsw i64 %.875571, 1
  %high.3.4 = select i1 %.932, i64 %high.2.2, i64 %.875571
  %low.5.4 = select i1 %.932, i64 %.943, i64 %low.4.2
  %.974 = icmp slt i64 %low.5.4, %high.3.4
  br i1 %.974, label %B430, label %B498

B498:                                             ; preds = %B430, %B362.if
  %low.6.3 = phi i64 [ 0, %B362.if ], [ %low.5.4, %B430 ]
  %.998 = icmp slt i64 %low.6.3, %.837
  br i1 %.998, label %B516, label %B632

B516:                                             ; preds = %B498
  %6 = getelementptr double, ptr %arg.ordered.4, i64 %low.6.3
  %.1039 = getelementptr i8, ptr %6, i64 8
  %.1040 = load double, ptr %.1039, align 8
  %.1042 = fcmp olt double %.1040, %.829
  br i1 %.1042, label %B546, label %B632

B546:                                             ; preds = %B516, %B602
  %low.7.3 = phi i64 [ %.1048, %B602 ], [ %low.6.3, %B516 ]
  %.1048 = add nsw i64 %low.7.3, 1
  %.1062 = icmp slt i64 %low.7.3, -1
  %.1063 = select i1 %.1062, i64 %arg.ordered.5.0, i64 0
  %7 = getelementptr double, ptr %arg.ordered.4, i64 %.1048
  %.1077 = getelementptr double, ptr %7, i64 %.1063
  %.1078 = load double, ptr %.1077, align 8
  %.1093 = icmp slt i64 %low.7.3, 0
  %.1094 = select i1 %.1093, i64 %arg.ordered.5.0, i64 0
  %8 = getelementptr double, ptr %arg.ordered.4, i64 %low.7.3
  %.1108 = getelementptr double, ptr %8, i64 %.1094
  store double %.1078, ptr %.1108, align 8
  %exitcond581.not = icmp eq i64 %low.7.3, %5
  br i1 %exitcond581.not, label %B632, label %B602

B602:                                             ; preds = %B546
  %.1148 = icmp slt i64 %low.7.3, -2
  %.1149 = select i1 %.1148, i64 %arg.ordered.5.0, i64 0
  %9 = getelementptr i8, ptr %8, i64 16
  %.1163 = getelementptr double, ptr %9, i64 %.1149
  %.1164 = load double, ptr %.1163, align 8
  %.1166 = fcmp olt double %.1164, %.829
  br i1 %.1166, label %B546, label %B632

B632:                                             ; preds = %B602, %B546, %B516, %B498
  %low.8.2 = phi i64 [ %low.6.3, %B516 ], [ %low.6.3, %B498 ], [ %.1048, %B546 ], [ %.1048, %B602 ]
  %.1184 = icmp sgt i64 %low.8.2, 0
  br i1 %.1184, label %B644, label %B754

B644:                                             ; preds = %B632
  %10 = getelementptr double, ptr %arg.ordered.4, i64 %low.8.2
  %.1225 = getelementptr i8, ptr %10, i64 -8
  %.1226 = load double, ptr %.1225, align 8
  %.1228 = fcmp ogt double %.1226, %.829
  br i1 %.1228, label %B674, label %B754

B674:                                             ; preds = %B644, %B724
  %low.9.3 = phi i64 [ %.1234, %B724 ], [ %low.8.2, %B644 ]
  %.1234 = add nsw i64 %low.9.3, -1
  %.1263 = getelementptr double, ptr %arg.ordered.4, i64 %.1234
  %.1264 = load double, ptr %.1263, align 8
  %.1294 = getelementptr double, ptr %arg.ordered.4, i64 %low.9.3
  store double %.1264, ptr %.1294, align 8
  %.1307 = icmp sgt i64 %low.9.3, 1
  br i1 %.1307, label %B724, label %B754

B724:                                             ; preds = %B674
  %.1347 = getelementptr i8, ptr %.1294, i64 -16
  %.1348 = load double, ptr %.1347, align 8
  %.1350 = fcmp ogt double %.1348, %.829
  br i1 %.1350, label %B674, label %B754

B754:                                             ; preds = %B724, %B674, %B644, %B632
  %low.10.2 = phi i64 [ %low.8.2, %B644 ], [ %low.8.2, %B632 ], [ %.1234, %B724 ], [ 0, %B674 ]
  %.1378 = icmp slt i64 %low.10.2, 0
  %.1379 = select i1 %.1378, i64 %arg.ordered.5.0, i64 0
  %11 = getelementptr double, ptr %arg.ordered.4, i64 %low.10.2
  %.1393 = getelementptr double, ptr %11, i64 %.1379
  store double %.829, ptr %.1393, align 8
  %.730 = icmp sgt i64 %.677.0577, 1
  br i1 %.730, label %B362.if, label %B766.else.if

B834:                                             ; preds = %B766.else.if, %B242
  store ptr null, ptr %retptr, align 8
  ret i32 0

B64.if:                                           ; preds = %entry, %B218
  %.77.0573 = phi i64 [ %.148, %B218 ], [ 0, %entry ]
  %.148 = add nuw nsw i64 %.77.0573, 1
  %.185.not = icmp eq i64 %.77.0573, 0
  br i1 %.185.not, label %B218, label %B84

B300.if:                                          ; preds = %B300.if.lr.ph, %B766.else.if
  %.528.0579 = phi i64 [ 0, %B300.if.lr.ph ], [ %.598, %B766.else.if ]
  %.598 = add nuw nsw i64 %.528.0579, 1
  %.627.not = icmp eq i64 %.528.0579, 0
  %.633 = add nsw i64 %.528.0579, -1
  %.635 = mul nsw i64 %.633, %arg.hop
  %"$phi338.3.2.1" = select i1 %.627.not, i64 0, i64 %.635
  %.645 = mul nsw i64 %.528.0579, %arg.hop
  %.687 = sub i64 %.645, %"$phi338.3.2.1"
  %.730575.not = icmp slt i64 %.687, 1
  br i1 %.730575.not, label %B766.else.if, label %B362.if

B362.if:                                          ; preds = %B300.if, %B754
  %.677.0577 = phi i64 [ %.739, %B754 ], [ %.687, %B300.if ]
  %.674.0576 = phi i64 [ %.743, %B754 ], [ %"$phi338.3.2.1", %B300.if ]
  %.739 = add nsw i64 %.677.0577, -1
  %.743 = add i64 %.674.0576, 1
  %.781 = icmp slt i64 %.674.0576, 0
  %.782 = select i1 %.781, i64 %arg.values.5.0, i64 0
  %12 = getelementptr double, ptr %arg.values.4, i64 %.674.0576
  %.796 = getelementptr double, ptr %12, i64 %.782
  %.797 = load double, ptr %.796, align 8
  %.799 = add nsw i64 %.674.0576, %arg.ordered.5.0
  %.813 = icmp slt i64 %.799, 0
  %.814 = select i1 %.813, i64 %arg.values.5.0, i64 0
  %13 = getelementptr double, ptr %arg.values.4, i64 %.799
  %.828 = getelementptr double, ptr %13, i64 %.814
  %.829 = load double, ptr %.828, align 8
  br i1 %.847, label %B430, label %B498

B766.else.if:                                     ; preds = %B754, %B300.if
  %.1475 = load double, ptr %.1474, align 8
  %.1546 = load double, ptr %.1545, align 8
  %.1547 = fadd double %.1475, %.1546
  %.1551 = fmul double %.1547, 5.000000e-01
  %14 = getelementptr double, ptr %arg.medians.4, i64 %.528.0579
  store double %.1551, ptr %14, align 8
  %exitcond582.not = icmp eq i64 %.598, %arg.medians.5.0
  br i1 %exitcond582.not, label %B834, label %B300.if
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
