; gives back a whole number
; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_choose_fingerprints_872cdd44cab228dc(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.bits.0, ptr readnone %arg.bits.1, i64 %arg.bits.2, i64 %arg.bits.3, ptr readonly %arg.bits.4, i64 %arg.bits.5.0, i64 %arg.bits.6.0, ptr readnone %arg.factors.0, ptr readnone %arg.factors.1, i64 %arg.factors.2, i64 %arg.factors.3, ptr readonly %arg.factors.4, i64 %arg.factors.5.0, i64 %arg.factors.6.0, ptr readnone %arg.prints.0, ptr readnone %arg.prints.1, i64 %arg.prints.2, i64 %arg.prints.3, ptr %arg.prints.4, i64 %arg.prints.5.0, i64 %arg.prints.6.0, ptr readnone %arg.places.0, ptr readnone %arg.places.1, i64 %arg.places.2, i64 %arg.places.3, ptr writeonly %arg.places.4, i64 %arg.places.5.0, i64 %arg.places.6.0) local_unnamed_addr #0 {
entry:
  %.58 = add nsw i64 %arg.factors.5.0, -1
  %.73 = sub nsw i64 %arg.bits.5.0, %.58
  %0 = add nuw i64 %.73, 2047
  %.141 = lshr i64 %0, 11
  %.118.inv = icmp slt i64 %.73, 1
  %.163544.not553 = icmp eq i64 %.141, 0
  %.163544.not = select i1 %.118.inv, i1 true, i1 %.163544.not553
  br i1 %.163544.not, label %B788, label %B118.lr.ph

B118.lr.ph:                                       ; preds = %entry
  %.107.1546 = add nsw i64 %.141, -1
  %.796537.not = icmp slt i64 %arg.factors.5.0, 1
  br label %B118

B114.loopexit:                                    ; preds = %B782, %B538.preheader
  %chosen.2.1.lcssa = phi i64 [ %chosen.3.0548, %B538.preheader ], [ %chosen.4.2, %B782 ]
  %.163 = icmp sgt i64 %.107.1549, 0
  %.176 = add i64 %.104.1550, 2048
  %.172 = sext i1 %.163 to i64
  %.107.1 = add nsw i64 %.107.1549, %.172
  %.104.1 = select i1 %.163, i64 %.176, i64 %.104.1550
  %.153.sroa.0.0 = select i1 %.163, i64 %.104.1550, i64 0
  br i1 %.163, label %B118, label %B788

B118:                                             ; preds = %B118.lr.ph, %B114.loopexit
  %.153.sroa.0.0551 = phi i64 [ 0, %B118.lr.ph ], [ %.153.sroa.0.0, %B114.loopexit ]
  %.104.1550 = phi i64 [ 2048, %B118.lr.ph ], [ %.104.1, %B114.loopexit ]
  %.107.1549 = phi i64 [ %.107.1546, %B118.lr.ph ], [ %.107.1, %B114.loopexit ]
  %chosen.3.0548 = phi i64 [ 0, %B118.lr.ph ], [ %chosen.2.1.lcssa, %B114.loopexit ]
  %.205 = add nsw i64 %.153.sroa.0.0551, 2048
  %.11.i = tail call i64 @llvm.smin.i64(i64 %.73, i64 %.205)
  %.272 = icmp slt i64 %.153.sroa.0.0551, 0
  %.273 = select i1 %.272, i64 %arg.prints.5.0, i64 0
  %.274 = add i64 %.273, %.153.sroa.0.0551
  %.277 = icmp slt i64 %.274, 0
  br i1 %.277, label %B118.endif.else.if, label %B118.endif.else.endif, !prof !0

B280.loopexit:                                    ; preds = %B382.if, %B282.else.endif.endif.endif.if
  %exitcond554.not = icmp eq i64 %arg.factors.5.0, %.809
  br i1 %exitcond554.not, label %B538.preheader, label %B280.if

B538.preheader:                                   ; preds = %B280.loopexit, %.660.if
  %.1370540.not = icmp slt i64 %.350, 1
  br i1 %.1370540.not, label %B114.loopexit, label %B538.if

B690:                                             ; preds = %B538.if
  %.1459 = add nsw i64 %.1314.0541, %.153.sroa.0.0551
  %.1473 = icmp slt i64 %.1459, 0
  %.1474 = select i1 %.1473, i64 %arg.bits.5.0, i64 0
  %1 = getelementptr i64, ptr %arg.bits.4, i64 %.1459
  %.1488 = getelementptr i64, ptr %1, i64 %.1474
  %.1489 = load i64, ptr %.1488, align 8
  %.1494 = add nsw i64 %.1459, %.58
  %.1508 = icmp slt i64 %.1494, 0
  %.1509 = select i1 %.1508, i64 %arg.bits.5.0, i64 0
  %2 = getelementptr i64, ptr %arg.bits.4, i64 %.1494
  %.1523 = getelementptr i64, ptr %2, i64 %.1509
  %.1524 = load i64, ptr %.1523, align 8
  %.1525.not = icmp eq i64 %.1489, %.1524
  br i1 %.1525.not, label %B782, label %B744

B744:                                             ; preds = %B690
  %.1547 = icmp slt i64 %chosen.2.1543, 0
  %.1548 = select i1 %.1547, i64 %arg.prints.5.0, i64 0
  %3 = getelementptr i64, ptr %arg.prints.4, i64 %chosen.2.1543
  %.1562 = getelementptr i64, ptr %3, i64 %.1548
  store i64 %.1445, ptr %.1562, align 8
  %.1581 = select i1 %.1547, i64 %arg.places.5.0, i64 0
  %4 = getelementptr i64, ptr %arg.places.4, i64 %chosen.2.1543
  %.1595 = getelementptr i64, ptr %4, i64 %.1581
  store i64 %.1459, ptr %.1595, align 8
  %.1598 = add nsw i64 %chosen.2.1543, 1
  br label %B782

B782:                                             ; preds = %B744, %B690, %B538.if
  %chosen.4.2 = phi i64 [ %.1598, %B744 ], [ %chosen.2.1543, %B690 ], [ %chosen.2.1543, %B538.if ]
  %exitcond555.not = icmp eq i64 %.350, %.1383
  br i1 %exitcond555.not, label %B114.loopexit, label %B538.if

B788:                                             ; preds = %B114.loopexit, %entry
  %chosen.3.0.lcssa = phi i64 [ 0, %entry ], [ %chosen.2.1.lcssa, %B114.loopexit ]
  store i64 %chosen.3.0.lcssa, ptr %retptr, align 8
  ret i32 0

B118.endif.endif:                                 ; preds = %B118.endif.else.endif.endif.endif, %B118.endif.else.endif.endif.endif.if
  %.262.sroa.13.0 = phi i64 [ %arg.prints.5.0, %B118.endif.else.endif.endif.endif.if ], [ %.262.sroa.13.1, %B118.endif.else.endif.endif.endif ]
  %.350 = sub i64 %.262.sroa.13.0, %.262.sroa.0.3
  %.375 = getelementptr i64, ptr %arg.prints.4, i64 %.262.sroa.0.3
  %.690.not532 = icmp sgt i64 %.350, 0
  br i1 %.690.not532, label %.660.endif.preheader, label %.660.if, !prof !1

B118.endif.else.if:                               ; preds = %B118
  br label %B118.endif.else.endif

B118.endif.else.endif:                            ; preds = %B118.endif.else.if, %B118
  %.262.sroa.0.1 = phi i64 [ 0, %B118.endif.else.if ], [ %.274, %B118 ]
  %.282.not = icmp slt i64 %.274, %arg.prints.5.0
  br i1 %.282.not, label %B118.endif.else.endif.endif, label %B118.endif.else.endif.if, !prof !2

B118.endif.else.endif.if:                         ; preds = %B118.endif.else.endif
  br label %B118.endif.else.endif.endif

B118.endif.else.endif.endif:                      ; preds = %B118.endif.else.endif.if, %B118.endif.else.endif
  %.262.sroa.0.3 = phi i64 [ %arg.prints.5.0, %B118.endif.else.endif.if ], [ %.262.sroa.0.1, %B118.endif.else.endif ]
  %.289 = icmp slt i64 %.153.sroa.0.0551, -2048
  %.290 = select i1 %.289, i64 %arg.prints.5.0, i64 0
  %.291 = add i64 %.290, %.11.i
  %.294 = icmp slt i64 %.291, 0
  br i1 %.294, label %B118.endif.else.endif.endif.if, label %B118.endif.else.endif.endif.endif, !prof !0

B118.endif.else.endif.endif.if:                   ; preds = %B118.endif.else.endif.endif
  br label %B118.endif.else.endif.endif.endif

B118.endif.else.endif.endif.endif:                ; preds = %B118.endif.else.endif.endif.if, %B118.endif.else.endif.endif
  %.262.sroa.13.1 = phi i64 [ 0, %B118.endif.else.endif.endif.if ], [ %.291, %B118.endif.else.endif.endif ]
  %.299.not = icmp slt i64 %.291, %arg.prints.5.0
  br i1 %.299.not, label %B118.endif.endif, label %B118.endif.else.endif.endif.endif.if, !prof !2

B118.endif.else.endif.endif.endif.if:             ; preds = %B118.endif.else.endif.endif.endif
  br label %B118.endif.endif

.660.endif.preheader:                             ; preds = %B118.endif.endif
  %5 = shl i64 %.262.sroa.0.3, 3
  %scevgep = getelementptr i8, ptr %arg.prints.4, i64 %5
  %6 = sub i64 %.262.sroa.13.0, %.262.sroa.0.3
  %7 = shl nuw i64 %6, 3
  tail call void @llvm.memset.p0.i64(ptr align 8 %scevgep, i8 0, i64 %7, i1 false)
  br label %.660.if

.660.if:                                          ; preds = %.660.endif.preheader, %B118.endif.endif
  br i1 %.796537.not, label %B538.preheader, label %B280.if.lr.ph

B280.if.lr.ph:                                    ; preds = %.660.if
  %.1129534.not = icmp slt i64 %.350, 1
  br label %B280.if

B280.if:                                          ; preds = %B280.if.lr.ph, %B280.loopexit
  %.740.0538 = phi i64 [ 0, %B280.if.lr.ph ], [ %.809, %B280.loopexit ]
  %.809 = add nuw nsw i64 %.740.0538, 1
  %8 = getelementptr i64, ptr %arg.factors.4, i64 %.740.0538
  %.863 = load i64, ptr %8, align 8
  %.865 = add nsw i64 %.740.0538, %.153.sroa.0.0551
  %.902 = icmp slt i64 %.865, 0
  %.903 = select i1 %.902, i64 %arg.bits.5.0, i64 0
  %.904 = add i64 %.903, %.865
  %.907 = icmp slt i64 %.904, 0
  br i1 %.907, label %B282.else.if, label %B282.else.endif, !prof !0

B282.else.if:                                     ; preds = %B280.if
  br label %B282.else.endif

B282.else.endif:                                  ; preds = %B282.else.if, %B280.if
  %.892.sroa.0.1 = phi i64 [ 0, %B282.else.if ], [ %.904, %B280.if ]
  %.912.not = icmp slt i64 %.904, %arg.bits.5.0
  br i1 %.912.not, label %B282.else.endif.endif.endif.if, label %B282.else.endif.if, !prof !2

B282.else.endif.if:                               ; preds = %B282.else.endif
  br label %B282.else.endif.endif.endif.if

B282.else.endif.endif.endif.if:                   ; preds = %B282.else.endif.if, %B282.else.endif
  %.892.sroa.0.3 = phi i64 [ %arg.bits.5.0, %B282.else.endif.if ], [ %.892.sroa.0.1, %B282.else.endif ]
  %.1005 = getelementptr i64, ptr %arg.bits.4, i64 %.892.sroa.0.3
  br i1 %.1129534.not, label %B280.loopexit, label %B382.if

B382.if:                                          ; preds = %B282.else.endif.endif.endif.if, %B382.if
  %.1073.0535 = phi i64 [ %.1142, %B382.if ], [ 0, %B282.else.endif.endif.endif.if ]
  %.1142 = add nuw nsw i64 %.1073.0535, 1
  %9 = getelementptr i64, ptr %.375, i64 %.1073.0535
  %.1196 = load i64, ptr %9, align 8
  %10 = getelementptr i64, ptr %.1005, i64 %.1073.0535
  %.1226 = load i64, ptr %10, align 8
  %.1227 = lshr i64 %.1226, 20
  %.1229 = mul i64 %.1227, %.863
  %.1230 = add i64 %.1229, %.1196
  store i64 %.1230, ptr %9, align 8
  %exitcond.not = icmp eq i64 %.350, %.1142
  br i1 %exitcond.not, label %B280.loopexit, label %B382.if

B538.if:                                          ; preds = %B538.preheader, %B782
  %chosen.2.1543 = phi i64 [ %chosen.4.2, %B782 ], [ %chosen.3.0548, %B538.preheader ]
  %.1314.0541 = phi i64 [ %.1383, %B782 ], [ 0, %B538.preheader ]
  %.1383 = add nuw nsw i64 %.1314.0541, 1
  %11 = getelementptr i64, ptr %.375, i64 %.1314.0541
  %.1445 = load i64, ptr %11, align 8
  %12 = and i64 %.1445, 7696581394432
  %.1452 = icmp eq i64 %12, 0
  br i1 %.1452, label %B690, label %B782
}

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smin.i64(i64, i64) #1

; Function Attrs: nocallback nofree nounwind willreturn memory(argmem: write)
declare void @llvm.memset.p0.i64(ptr writeonly, i8, i64, i1 immarg) #2

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }
attributes #2 = { nocallback nofree nounwind willreturn memory(argmem: write) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{!"branch_weights", i32 127, i32 1}
!2 = !{!"branch_weights", i32 99, i32 1}
