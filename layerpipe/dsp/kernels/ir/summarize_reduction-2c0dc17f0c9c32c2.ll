; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_summarize_reduction_2c0dc17f0c9c32c2(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.reduction_db.0, ptr readnone %arg.reduction_db.1, i64 %arg.reduction_db.2, i64 %arg.reduction_db.3, ptr readonly %arg.reduction_db.4, i64 %arg.reduction_db.5.0, i64 %arg.reduction_db.6.0, ptr readnone %arg.starts.0, ptr readnone %arg.starts.1, i64 %arg.starts.2, i64 %arg.starts.3, ptr readonly %arg.starts.4, i64 %arg.starts.5.0, i64 %arg.starts.6.0, double %arg.audible_db, ptr readnone %arg.largest.0, ptr readnone %arg.largest.1, i64 %arg.largest.2, i64 %arg.largest.3, ptr writeonly %arg.largest.4, i64 %arg.largest.5.0, i64 %arg.largest.6.0, ptr readnone %arg.mean.0, ptr readnone %arg.mean.1, i64 %arg.mean.2, i64 %arg.mean.3, ptr writeonly %arg.mean.4, i64 %arg.mean.5.0, i64 %arg.mean.6.0, ptr readnone %arg.busy.0, ptr readnone %arg.busy.1, i64 %arg.busy.2, i64 %arg.busy.3, ptr writeonly %arg.busy.4, i64 %arg.busy.5.0, i64 %arg.busy.6.0) local_unnamed_addr #0 {
entry:
  %.154487 = icmp sgt i64 %arg.starts.5.0, 0
  br i1 %.154487, label %B64.preheader, label %B870

B64.preheader:                                    ; preds = %entry
  %.98.1489 = add nsw i64 %arg.starts.5.0, -1
  br label %B64

B64:                                              ; preds = %B64.preheader, %B772
  %.144.sroa.0.0493 = phi i64 [ %.144.sroa.0.0, %B772 ], [ 0, %B64.preheader ]
  %.95.1492 = phi i64 [ %.95.1, %B772 ], [ 1, %B64.preheader ]
  %.98.1491 = phi i64 [ %.98.1, %B772 ], [ %.98.1489, %B64.preheader ]
  %.196 = add nsw i64 %.144.sroa.0.0493, 1
  %.207 = icmp slt i64 %.196, %arg.starts.5.0
  br i1 %.207, label %B110, label %B160

B110:                                             ; preds = %B64
  %.224 = icmp slt i64 %.144.sroa.0.0493, -1
  %.225 = select i1 %.224, i64 %arg.starts.5.0, i64 0
  %0 = getelementptr i64, ptr %arg.starts.4, i64 %.196
  %.239 = getelementptr i64, ptr %0, i64 %.225
  %.240 = load i64, ptr %.239, align 8
  br label %B160

B160:                                             ; preds = %B64, %B110
  %"$phi160.1.2.1" = phi i64 [ %.240, %B110 ], [ %arg.reduction_db.5.0, %B64 ]
  %.275 = icmp slt i64 %.144.sroa.0.0493, 0
  %1 = getelementptr i64, ptr %arg.starts.4, i64 %.144.sroa.0.0493
  %.276 = select i1 %.275, i64 %arg.starts.5.0, i64 0
  %.290 = getelementptr i64, ptr %1, i64 %.276
  %.291 = load i64, ptr %.290, align 8
  %.328 = icmp slt i64 %.291, 0
  %.329 = select i1 %.328, i64 %arg.reduction_db.5.0, i64 0
  %.330 = add i64 %.329, %.291
  %.333 = icmp slt i64 %.330, 0
  br i1 %.333, label %B160.else.if, label %B160.else.endif, !prof !0

B736.preheader:                                   ; preds = %B634.if, %B590.else.if.else
  %m0.4.1.lcssa = phi double [ %m0.3.1.lcssa, %B590.else.if.else ], [ %.11.i456, %B634.if ]
  %t0.4.1.lcssa = phi double [ %t0.3.1.lcssa, %B590.else.if.else ], [ %.1235, %B634.if ]
  %.1331482.not = icmp slt i64 %.406, 1
  br i1 %.1331482.not, label %B772, label %B736.if

B772.loopexit:                                    ; preds = %B736.if
  %2 = uitofp nneg i64 %.1404 to double
  br label %B772

B772:                                             ; preds = %B772.loopexit, %B736.preheader
  %count.2.1.lcssa = phi double [ 0.000000e+00, %B736.preheader ], [ %2, %B772.loopexit ]
  %.16.i = fcmp ogt double %m1.2.1.lcssa, %m0.4.1.lcssa
  %.17.i = select i1 %.16.i, double %m1.2.1.lcssa, double %m0.4.1.lcssa
  %.18.i = fcmp ogt double %m2.2.1.lcssa, %.17.i
  %.19.i = select i1 %.18.i, double %m2.2.1.lcssa, double %.17.i
  %.20.i = fcmp ogt double %m3.2.1.lcssa, %.19.i
  %.21.i = select i1 %.20.i, double %m3.2.1.lcssa, double %.19.i
  %.1461 = uitofp nneg i64 %.415 to double
  %.1465 = fdiv double %count.2.1.lcssa, %.1461
  %.1483 = select i1 %.275, i64 %arg.largest.5.0, i64 0
  %3 = getelementptr float, ptr %arg.largest.4, i64 %.144.sroa.0.0493
  %.1497 = getelementptr float, ptr %3, i64 %.1483
  %.1498 = fptrunc double %.21.i to float
  store float %.1498, ptr %.1497, align 4
  %.1515 = select i1 %.275, i64 %arg.busy.5.0, i64 0
  %4 = getelementptr float, ptr %arg.busy.4, i64 %.144.sroa.0.0493
  %.1529 = getelementptr float, ptr %4, i64 %.1515
  %.1530 = fptrunc double %.1465 to float
  store float %.1530, ptr %.1529, align 4
  %.1534 = fadd double %t1.2.1.lcssa, %t0.4.1.lcssa
  %.1546 = fadd double %t2.2.1.lcssa, %.1534
  %.1552 = fdiv double %.1546, %.1461
  %.1570 = select i1 %.275, i64 %arg.mean.5.0, i64 0
  %5 = getelementptr float, ptr %arg.mean.4, i64 %.144.sroa.0.0493
  %.1584 = getelementptr float, ptr %5, i64 %.1570
  %.1585 = fptrunc double %.1552 to float
  store float %.1585, ptr %.1584, align 4
  %.154 = icmp sgt i64 %.98.1491, 0
  %.163 = sext i1 %.154 to i64
  %.98.1 = add nsw i64 %.98.1491, %.163
  %.167 = zext i1 %.154 to i64
  %.95.1 = add i64 %.95.1492, %.167
  %.144.sroa.0.0 = select i1 %.154, i64 %.95.1492, i64 0
  br i1 %.154, label %B64, label %B870

B870:                                             ; preds = %B772, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B160.endif:                                       ; preds = %B160.else.endif.endif.endif, %B160.else.endif.endif.endif.if
  %.318.sroa.13.0 = phi i64 [ %arg.reduction_db.5.0, %B160.else.endif.endif.endif.if ], [ %.318.sroa.13.1, %B160.else.endif.endif.endif ]
  %.406 = sub i64 %.318.sroa.13.0, %.318.sroa.0.3
  %.415 = tail call i64 @llvm.smax.i64(i64 %.406, i64 0)
  %.431 = getelementptr double, ptr %arg.reduction_db.4, i64 %.318.sroa.0.3
  %.538444 = lshr i64 %.415, 2
  %.639457.not = icmp eq i64 %.538444, 0
  br i1 %.639457.not, label %B590.else.if.else, label %B292.if

B160.else.if:                                     ; preds = %B160
  br label %B160.else.endif

B160.else.endif:                                  ; preds = %B160.else.if, %B160
  %.318.sroa.0.1 = phi i64 [ 0, %B160.else.if ], [ %.330, %B160 ]
  %.338.not = icmp slt i64 %.330, %arg.reduction_db.5.0
  br i1 %.338.not, label %B160.else.endif.endif, label %B160.else.endif.if, !prof !1

B160.else.endif.if:                               ; preds = %B160.else.endif
  br label %B160.else.endif.endif

B160.else.endif.endif:                            ; preds = %B160.else.endif.if, %B160.else.endif
  %.318.sroa.0.3 = phi i64 [ %arg.reduction_db.5.0, %B160.else.endif.if ], [ %.318.sroa.0.1, %B160.else.endif ]
  %.345 = icmp slt i64 %"$phi160.1.2.1", 0
  %.346 = select i1 %.345, i64 %arg.reduction_db.5.0, i64 0
  %.347 = add i64 %.346, %"$phi160.1.2.1"
  %.350 = icmp slt i64 %.347, 0
  br i1 %.350, label %B160.else.endif.endif.if, label %B160.else.endif.endif.endif, !prof !0

B160.else.endif.endif.if:                         ; preds = %B160.else.endif.endif
  br label %B160.else.endif.endif.endif

B160.else.endif.endif.endif:                      ; preds = %B160.else.endif.endif.if, %B160.else.endif.endif
  %.318.sroa.13.1 = phi i64 [ 0, %B160.else.endif.endif.if ], [ %.347, %B160.else.endif.endif ]
  %.355.not = icmp slt i64 %.347, %arg.reduction_db.5.0
  br i1 %.355.not, label %B160.endif, label %B160.else.endif.endif.endif.if, !prof !1

B160.else.endif.endif.endif.if:                   ; preds = %B160.else.endif.endif.endif
  br label %B160.endif

B292.if:                                          ; preds = %B160.endif, %B292.if
  %t3.2.1467 = phi double [ %.951, %B292.if ], [ 0.000000e+00, %B160.endif ]
  %t2.2.1466 = phi double [ %.949, %B292.if ], [ 0.000000e+00, %B160.endif ]
  %t1.2.1465 = phi double [ %.947, %B292.if ], [ 0.000000e+00, %B160.endif ]
  %t0.3.1464 = phi double [ %.945, %B292.if ], [ 0.000000e+00, %B160.endif ]
  %m3.2.1463 = phi double [ %.11.i454, %B292.if ], [ 0.000000e+00, %B160.endif ]
  %m2.2.1462 = phi double [ %.11.i452, %B292.if ], [ 0.000000e+00, %B160.endif ]
  %m1.2.1461 = phi double [ %.11.i450, %B292.if ], [ 0.000000e+00, %B160.endif ]
  %m0.3.1460 = phi double [ %.11.i, %B292.if ], [ 0.000000e+00, %B160.endif ]
  %.583.0459 = phi i64 [ %.652, %B292.if ], [ 0, %B160.endif ]
  %.652 = add nuw nsw i64 %.583.0459, 1
  %.idx = shl i64 %.583.0459, 5
  %6 = getelementptr i8, ptr %.431, i64 %.idx
  %.707 = load double, ptr %6, align 8
  %7 = getelementptr i8, ptr %6, i64 8
  %.739 = load double, ptr %7, align 8
  %8 = getelementptr i8, ptr %6, i64 16
  %.771 = load double, ptr %8, align 8
  %9 = getelementptr i8, ptr %6, i64 24
  %.803 = load double, ptr %9, align 8
  %.10.i = fcmp ogt double %.707, %m0.3.1460
  %.11.i = select i1 %.10.i, double %.707, double %m0.3.1460
  %.10.i449 = fcmp ogt double %.739, %m1.2.1461
  %.11.i450 = select i1 %.10.i449, double %.739, double %m1.2.1461
  %.10.i451 = fcmp ogt double %.771, %m2.2.1462
  %.11.i452 = select i1 %.10.i451, double %.771, double %m2.2.1462
  %.10.i453 = fcmp ogt double %.803, %m3.2.1463
  %.11.i454 = select i1 %.10.i453, double %.803, double %m3.2.1463
  %.945 = fadd double %t0.3.1464, %.707
  %.947 = fadd double %t1.2.1465, %.739
  %.949 = fadd double %t2.2.1466, %.771
  %.951 = fadd double %t3.2.1467, %.803
  %exitcond.not = icmp eq i64 %.652, %.538444
  br i1 %exitcond.not, label %B590.else.if.else.loopexit, label %B292.if

B590.else.if.else.loopexit:                       ; preds = %B292.if
  %10 = fadd double %.949, %.951
  br label %B590.else.if.else

B590.else.if.else:                                ; preds = %B590.else.if.else.loopexit, %B160.endif
  %m0.3.1.lcssa = phi double [ 0.000000e+00, %B160.endif ], [ %.11.i, %B590.else.if.else.loopexit ]
  %m1.2.1.lcssa = phi double [ 0.000000e+00, %B160.endif ], [ %.11.i450, %B590.else.if.else.loopexit ]
  %m2.2.1.lcssa = phi double [ 0.000000e+00, %B160.endif ], [ %.11.i452, %B590.else.if.else.loopexit ]
  %m3.2.1.lcssa = phi double [ 0.000000e+00, %B160.endif ], [ %.11.i454, %B590.else.if.else.loopexit ]
  %t0.3.1.lcssa = phi double [ 0.000000e+00, %B160.endif ], [ %.945, %B590.else.if.else.loopexit ]
  %t1.2.1.lcssa = phi double [ 0.000000e+00, %B160.endif ], [ %.947, %B590.else.if.else.loopexit ]
  %t2.2.1.lcssa = phi double [ 0.000000e+00, %B160.endif ], [ %10, %B590.else.if.else.loopexit ]
  %.1064 = and i64 %.415, 3
  %.1107475.not = icmp eq i64 %.1064, 0
  br i1 %.1107475.not, label %B736.preheader, label %B634.if.preheader

B634.if.preheader:                                ; preds = %B590.else.if.else
  %.1004446 = and i64 %.415, 9223372036854775804
  br label %B634.if

B634.if:                                          ; preds = %B634.if.preheader, %B634.if
  %t0.4.1479 = phi double [ %.1235, %B634.if ], [ %t0.3.1.lcssa, %B634.if.preheader ]
  %m0.4.1478 = phi double [ %.11.i456, %B634.if ], [ %m0.3.1.lcssa, %B634.if.preheader ]
  %.1054.0477 = phi i64 [ %.1116, %B634.if ], [ %.1064, %B634.if.preheader ]
  %.1051.0476 = phi i64 [ %.1120, %B634.if ], [ %.1004446, %B634.if.preheader ]
  %.1116 = add nsw i64 %.1054.0477, -1
  %.1120 = add nuw nsw i64 %.1051.0476, 1
  %11 = getelementptr double, ptr %.431, i64 %.1051.0476
  %.1174 = load double, ptr %11, align 8
  %.10.i455 = fcmp ogt double %.1174, %m0.4.1478
  %.11.i456 = select i1 %.10.i455, double %.1174, double %m0.4.1478
  %.1235 = fadd double %t0.4.1479, %.1174
  %.1107 = icmp sgt i64 %.1054.0477, 1
  br i1 %.1107, label %B634.if, label %B736.preheader

B736.if:                                          ; preds = %B736.preheader, %B736.if
  %count.2.1485 = phi i64 [ %.1404, %B736.if ], [ 0, %B736.preheader ]
  %.1275.0483 = phi i64 [ %.1344, %B736.if ], [ 0, %B736.preheader ]
  %.1344 = add nuw nsw i64 %.1275.0483, 1
  %12 = getelementptr double, ptr %.431, i64 %.1275.0483
  %.1398 = load double, ptr %12, align 8
  %.1400 = fcmp ogt double %.1398, %arg.audible_db
  %.1403 = zext i1 %.1400 to i64
  %.1404 = add nuw nsw i64 %count.2.1485, %.1403
  %exitcond494.not = icmp eq i64 %.406, %.1344
  br i1 %exitcond494.not, label %B772.loopexit, label %B736.if
}

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smax.i64(i64, i64) #1

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{!"branch_weights", i32 99, i32 1}
