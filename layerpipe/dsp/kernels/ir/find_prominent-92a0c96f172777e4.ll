; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_find_prominent_92a0c96f172777e4(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.powers.0, ptr readnone %arg.powers.1, i64 %arg.powers.2, i64 %arg.powers.3, ptr readonly %arg.powers.4, i64 %arg.powers.5.0, i64 %arg.powers.6.0, ptr readnone %arg.places.0, ptr readnone %arg.places.1, i64 %arg.places.2, i64 %arg.places.3, ptr readonly %arg.places.4, i64 %arg.places.5.0, i64 %arg.places.6.0, ptr readnone %arg.widths.0, ptr readnone %arg.widths.1, i64 %arg.widths.2, i64 %arg.widths.3, ptr readonly %arg.widths.4, i64 %arg.widths.5.0, i64 %arg.widths.6.0, ptr readnone %arg.usual.0, ptr readnone %arg.usual.1, i64 %arg.usual.2, i64 %arg.usual.3, ptr readonly %arg.usual.4, i64 %arg.usual.5.0, i64 %arg.usual.6.0, ptr readnone %arg.starts.0, ptr readnone %arg.starts.1, i64 %arg.starts.2, i64 %arg.starts.3, ptr writeonly %arg.starts.4, i64 %arg.starts.5.0, i64 %arg.starts.6.0, ptr readnone %arg.found.0, ptr readnone %arg.found.1, i64 %arg.found.2, i64 %arg.found.3, ptr writeonly %arg.found.4, i64 %arg.found.5.0, i64 %arg.found.6.0) local_unnamed_addr #0 {
entry:
  %0 = getelementptr i64, ptr %arg.widths.4, i64 %arg.widths.5.0
  %.98 = getelementptr i8, ptr %0, i64 -8
  %.99 = load i64, ptr %.98, align 8
  %.195507.not = icmp slt i64 %arg.places.5.0, 1
  br i1 %.195507.not, label %B628, label %B78.if.lr.ph

B78.if.lr.ph:                                     ; preds = %entry
  %.659503.not = icmp slt i64 %arg.widths.5.0, 1
  %.824490.not = icmp slt i64 %.99, 1
  br label %B78.if

B76.loopexit:                                     ; preds = %B238.loopexit, %B80.endif
  %exitcond511.not = icmp eq i64 %.208, %arg.places.5.0
  br i1 %exitcond511.not, label %B628, label %B78.if

B238.loopexit:                                    ; preds = %B510, %B366
  %best.2.2.lcssa = phi double [ %best.3.1506, %B366 ], [ %best.4.3, %B510 ]
  %exitcond510.not = icmp eq i64 %arg.widths.5.0, %.672
  br i1 %exitcond510.not, label %B76.loopexit, label %B238.if

B366:                                             ; preds = %B298.if, %B238.if
  %until.3.2.lcssa = phi double [ 0.000000e+00, %B238.if ], [ %until.4.3, %B298.if ]
  %since.3.2.lcssa = phi double [ 0.000000e+00, %B238.if ], [ %.901, %B298.if ]
  %.1071496.not = icmp slt i64 %.730, 1
  br i1 %.1071496.not, label %B238.loopexit, label %B404.if.lr.ph

B404.if.lr.ph:                                    ; preds = %B366
  %.990 = sub nsw i64 %.99, %.730
  %1 = getelementptr double, ptr %arg.usual.4, i64 %.603.0504
  %.1151 = uitofp nneg i64 %.730 to double
  br label %B404.if

B454:                                             ; preds = %B404.if
  %.1201 = load i64, ptr %4, align 8
  %reass.sub = sub i64 %.1015.0497, %.99
  %.1204 = add i64 %reass.sub, 1
  %.1206 = add i64 %.1204, %.1201
  store i64 %.1206, ptr %5, align 8
  store i64 %.730, ptr %6, align 8
  br label %B510

B510:                                             ; preds = %B404.if, %B454
  %best.4.3 = phi double [ %.1156, %B454 ], [ %best.2.2499, %B404.if ]
  %.1292 = icmp slt i64 %.1015.0497, 0
  %.1293 = select i1 %.1292, i64 %.522, i64 0
  %2 = getelementptr double, ptr %.538, i64 %.1015.0497
  %.1307 = getelementptr double, ptr %2, i64 %.1293
  %.1308 = load double, ptr %.1307, align 8
  %.1315 = add nsw i64 %.1015.0497, %.730
  %.11.i = tail call i64 @llvm.smin.i64(i64 %.1328, i64 %.1315)
  %.1310 = fadd double %until.5.2500, %.1308
  %.1370 = icmp slt i64 %.11.i, 0
  %.1371 = select i1 %.1370, i64 %.522, i64 0
  %3 = getelementptr double, ptr %.538, i64 %.11.i
  %.1385 = getelementptr double, ptr %3, i64 %.1371
  %.1386 = load double, ptr %.1385, align 8
  %.1388 = fadd double %since.4.2501, %.1386
  %.1071 = icmp sgt i64 %.1018.0498, 1
  br i1 %.1071, label %B404.if, label %B238.loopexit

B628:                                             ; preds = %B76.loopexit, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B78.if:                                           ; preds = %B78.if.lr.ph, %B76.loopexit
  %.136.0509 = phi i64 [ 0, %B78.if.lr.ph ], [ %.208, %B76.loopexit ]
  %.208 = add nuw nsw i64 %.136.0509, 1
  %4 = getelementptr i64, ptr %arg.places.4, i64 %.136.0509
  %.269 = load i64, ptr %4, align 8
  %5 = getelementptr i64, ptr %arg.starts.4, i64 %.136.0509
  store i64 %.269, ptr %5, align 8
  %6 = getelementptr i64, ptr %arg.found.4, i64 %.136.0509
  store i64 1, ptr %6, align 8
  %.362 = load i64, ptr %4, align 8
  %.398 = add nsw i64 %.362, %.99
  %.364 = sub nsw i64 %.362, %.99
  %.365 = add nsw i64 %.364, 1
  %.435 = icmp slt i64 %.364, -1
  %.436 = select i1 %.435, i64 %arg.powers.5.0, i64 0
  %.437 = add i64 %.365, %.436
  %.440 = icmp slt i64 %.437, 0
  br i1 %.440, label %B80.else.if, label %B80.else.endif, !prof !0

B80.endif:                                        ; preds = %B80.else.endif.endif.endif, %B80.else.endif.endif.endif.if
  %.425.sroa.13.0 = phi i64 [ %arg.powers.5.0, %B80.else.endif.endif.endif.if ], [ %.425.sroa.13.1, %B80.else.endif.endif.endif ]
  %.513 = sub i64 %.425.sroa.13.0, %.425.sroa.0.3
  %.522 = tail call i64 @llvm.smax.i64(i64 %.513, i64 0)
  %.538 = getelementptr double, ptr %arg.powers.4, i64 %.425.sroa.0.3
  br i1 %.659503.not, label %B76.loopexit, label %B238.if.lr.ph

B238.if.lr.ph:                                    ; preds = %B80.endif
  %.1328 = add nsw i64 %.522, -1
  br label %B238.if

B80.else.if:                                      ; preds = %B78.if
  br label %B80.else.endif

B80.else.endif:                                   ; preds = %B80.else.if, %B78.if
  %.425.sroa.0.1 = phi i64 [ 0, %B80.else.if ], [ %.437, %B78.if ]
  %.445.not = icmp slt i64 %.437, %arg.powers.5.0
  br i1 %.445.not, label %B80.else.endif.endif, label %B80.else.endif.if, !prof !1

B80.else.endif.if:                                ; preds = %B80.else.endif
  br label %B80.else.endif.endif

B80.else.endif.endif:                             ; preds = %B80.else.endif.if, %B80.else.endif
  %.425.sroa.0.3 = phi i64 [ %arg.powers.5.0, %B80.else.endif.if ], [ %.425.sroa.0.1, %B80.else.endif ]
  %.452 = icmp slt i64 %.398, 0
  %.453 = select i1 %.452, i64 %arg.powers.5.0, i64 0
  %.454 = add i64 %.453, %.398
  %.457 = icmp slt i64 %.454, 0
  br i1 %.457, label %B80.else.endif.endif.if, label %B80.else.endif.endif.endif, !prof !0

B80.else.endif.endif.if:                          ; preds = %B80.else.endif.endif
  br label %B80.else.endif.endif.endif

B80.else.endif.endif.endif:                       ; preds = %B80.else.endif.endif.if, %B80.else.endif.endif
  %.425.sroa.13.1 = phi i64 [ 0, %B80.else.endif.endif.if ], [ %.454, %B80.else.endif.endif ]
  %.462.not = icmp slt i64 %.454, %arg.powers.5.0
  br i1 %.462.not, label %B80.endif, label %B80.else.endif.endif.endif.if, !prof !1

B80.else.endif.endif.endif.if:                    ; preds = %B80.else.endif.endif.endif
  br label %B80.endif

B238.if:                                          ; preds = %B238.if.lr.ph, %B238.loopexit
  %best.3.1506 = phi double [ 0.000000e+00, %B238.if.lr.ph ], [ %best.2.2.lcssa, %B238.loopexit ]
  %.603.0504 = phi i64 [ 0, %B238.if.lr.ph ], [ %.672, %B238.loopexit ]
  %.672 = add nuw nsw i64 %.603.0504, 1
  %7 = getelementptr i64, ptr %arg.widths.4, i64 %.603.0504
  %.730 = load i64, ptr %7, align 8
  br i1 %.824490.not, label %B366, label %B298.if.lr.ph

B298.if.lr.ph:                                    ; preds = %B238.if
  %.909 = sub nsw i64 %.99, %.730
  br label %B298.if

B298.if:                                          ; preds = %B298.if.lr.ph, %B298.if
  %since.3.2494 = phi double [ 0.000000e+00, %B298.if.lr.ph ], [ %.901, %B298.if ]
  %until.3.2493 = phi double [ 0.000000e+00, %B298.if.lr.ph ], [ %until.4.3, %B298.if ]
  %.768.0491 = phi i64 [ 0, %B298.if.lr.ph ], [ %.837, %B298.if ]
  %.837 = add nuw nsw i64 %.768.0491, 1
  %8 = getelementptr double, ptr %.538, i64 %.768.0491
  %.899 = load double, ptr %8, align 8
  %.901 = fadd double %since.3.2494, %.899
  %.911 = icmp slt i64 %.768.0491, %.909
  %.947 = fadd double %until.3.2493, %.899
  %until.4.3 = select i1 %.911, double %.947, double %until.3.2493
  %exitcond.not = icmp eq i64 %.99, %.837
  br i1 %exitcond.not, label %B366, label %B298.if

B404.if:                                          ; preds = %B404.if.lr.ph, %B510
  %since.4.2501 = phi double [ %since.3.2.lcssa, %B404.if.lr.ph ], [ %.1388, %B510 ]
  %until.5.2500 = phi double [ %until.3.2.lcssa, %B404.if.lr.ph ], [ %.1310, %B510 ]
  %best.2.2499 = phi double [ %best.3.1506, %B404.if.lr.ph ], [ %best.4.3, %B510 ]
  %.1018.0498 = phi i64 [ %.730, %B404.if.lr.ph ], [ %.1080, %B510 ]
  %.1015.0497 = phi i64 [ %.990, %B404.if.lr.ph ], [ %.1084, %B510 ]
  %.1080 = add nsw i64 %.1018.0498, -1
  %.1084 = add i64 %.1015.0497, 1
  %.1118 = fsub double %since.4.2501, %until.5.2500
  %.1149 = load double, ptr %1, align 8
  %.1152 = fmul double %.1149, %.1151
  %.1156 = fdiv double %.1118, %.1152
  %.1162 = fcmp ogt double %.1156, %best.2.2499
  br i1 %.1162, label %B454, label %B510
}

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smax.i64(i64, i64) #1

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smin.i64(i64, i64) #1

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{!"branch_weights", i32 99, i32 1}
