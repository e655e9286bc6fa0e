@.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727 = internal constant [76 x i8] c"\80\04\95A\00\00\00\00\00\00\00\8C\08builtins\94\8C\0AValueError\94\93\94\8C\1Erange() arg 3 must not be zero\94\85\94N\87\94."
@.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727.sha1 = internal constant [20 x i8] c"\CA\8E\FB:r\D6\14\FE\87 2\CC\E3\AC2`\07\A3\07'"
@.const.picklebuf.ca8efb3a72d614fe872032cce3ac326007a30727 = internal constant { ptr, i32, ptr, ptr, i32 } { ptr @.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727, i32 76, ptr @.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727.sha1, ptr null, i32 0 }

; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define range(i32 0, 2) i32 @layerpipe_find_crests_61b52d5f29c71137(ptr noalias writeonly %retptr, ptr noalias writeonly %excinfo, ptr readnone %arg.sound.0, ptr readnone %arg.sound.1, i64 %arg.sound.2, i64 %arg.sound.3, ptr readonly %arg.sound.4, i64 %arg.sound.5.0, i64 %arg.sound.6.0, ptr readnone %arg.pattern.0, ptr readnone %arg.pattern.1, i64 %arg.pattern.2, i64 %arg.pattern.3, ptr readonly %arg.pattern.4, i64 %arg.pattern.5.0, i64 %arg.pattern.6.0, ptr readnone %arg.room.0, ptr readnone %arg.room.1, i64 %arg.room.2, i64 %arg.room.3, ptr %arg.room.4, i64 %arg.room.5.0, i64 %arg.room.6.0, ptr readnone %arg.crests.0, ptr readnone %arg.crests.1, i64 %arg.crests.2, i64 %arg.crests.3, ptr writeonly %arg.crests.4, i64 %arg.crests.5.0, i64 %arg.crests.6.0) local_unnamed_addr #0 {
entry:
  %.68 = sub nsw i64 %arg.sound.5.0, %arg.pattern.5.0
  %.11.i = tail call i64 @llvm.smax.i64(i64 %arg.crests.5.0, i64 1)
  %.127 = sdiv i64 %.68, %.11.i
  %.128 = srem i64 %.68, %.11.i
  %.128.lobit = ashr i64 %.128, 63
  %spec.select = add i64 %.128.lobit, %.127
  %.165 = icmp eq i64 %spec.select, 0
  br i1 %.165, label %B0.endif.endif.endif, label %B0.endif.endif.else, !prof !0

B222.loopexit:                                    ; preds = %B714, %B596.preheader
  %.296 = icmp sgt i64 %.243.1623, 0
  %.309 = select i1 %.296, i64 %quot.1.0, i64 0
  %.240.1 = add i64 %.309, %.240.1622
  %.305 = sext i1 %.296 to i64
  %.243.1 = add nsw i64 %.243.1623, %.305
  %.286.sroa.0.0 = select i1 %.296, i64 %.240.1622, i64 0
  br i1 %.296, label %B224, label %B728

B224:                                             ; preds = %B224.lr.ph, %B222.loopexit
  %.286.sroa.0.0624 = phi i64 [ 0, %B224.lr.ph ], [ %.286.sroa.0.0, %B222.loopexit ]
  %.243.1623 = phi i64 [ %.243.1621, %B224.lr.ph ], [ %.243.1, %B222.loopexit ]
  %.240.1622 = phi i64 [ %quot.1.0, %B224.lr.ph ], [ %.240.1, %B222.loopexit ]
  %.339 = add nsw i64 %.286.sroa.0.0624, %quot.1.0
  %.377 = icmp slt i64 %.286.sroa.0.0624, 0
  %.378 = select i1 %.377, i64 %arg.crests.5.0, i64 0
  %.379 = add i64 %.378, %.286.sroa.0.0624
  %.382 = icmp slt i64 %.379, 0
  br i1 %.382, label %B224.else.if, label %B224.else.endif, !prof !0

B374.loopexit:                                    ; preds = %B482.if, %B376.else.endif.endif.endif.if
  %exitcond625.not = icmp eq i64 %arg.pattern.5.0, %.1097
  br i1 %exitcond625.not, label %B596.preheader, label %B374.if

B596.preheader:                                   ; preds = %B374.loopexit, %.948.if
  %.1655615.not = icmp slt i64 %.455, 1
  br i1 %.1655615.not, label %B222.loopexit, label %B596.if

B714:                                             ; preds = %B654.if, %B596.if
  %highest.2.2.lcssa = phi double [ 0.000000e+00, %B596.if ], [ %.1883.highest.2.2, %B654.if ]
  %0 = getelementptr double, ptr %.480, i64 %.1599.0616
  store double %highest.2.2.lcssa, ptr %0, align 8
  %exitcond626.not = icmp eq i64 %.455, %.1668
  br i1 %exitcond626.not, label %B222.loopexit, label %B596.if

common.ret:                                       ; preds = %B0.endif.endif.endif.if, %B728
  %common.ret.op = phi i32 [ 0, %B728 ], [ 1, %B0.endif.endif.endif.if ]
  ret i32 %common.ret.op

B728:                                             ; preds = %B222.loopexit, %B0.endif.endif.endif.endif.endif
  store ptr null, ptr %retptr, align 8
  br label %common.ret

B0.endif.endif.else:                              ; preds = %entry
  %.176 = icmp ne i64 %arg.room.5.0, -9223372036854775808
  %.177 = icmp ne i64 %spec.select, -1
  %.178.not = or i1 %.176, %.177
  br i1 %.178.not, label %B0.endif.endif.else.if, label %B0.endif.endif.endif, !prof !1

B0.endif.endif.endif:                             ; preds = %B0.endif.endif.else.if, %B0.endif.endif.else, %entry
  %quot.1.0 = phi i64 [ 0, %entry ], [ %spec.select602, %B0.endif.endif.else.if ], [ 0, %B0.endif.endif.else ]
  %.254 = icmp sgt i64 %arg.crests.5.0, 0
  %.257 = icmp eq i64 %quot.1.0, 0
  br i1 %.257, label %B0.endif.endif.endif.if, label %B0.endif.endif.endif.endif, !prof !0

B0.endif.endif.else.if:                           ; preds = %B0.endif.endif.else
  %.181 = sdiv i64 %arg.room.5.0, %spec.select
  %.182 = srem i64 %arg.room.5.0, %spec.select
  %.183 = xor i64 %.182, %spec.select
  %.184 = icmp slt i64 %.183, 0
  %.185 = icmp ne i64 %.182, 0
  %.186 = and i1 %.185, %.184
  %.191 = sext i1 %.186 to i64
  %spec.select602 = add i64 %.181, %.191
  br label %B0.endif.endif.endif

B0.endif.endif.endif.if:                          ; preds = %B0.endif.endif.endif
  store ptr @.const.picklebuf.ca8efb3a72d614fe872032cce3ac326007a30727, ptr %excinfo, align 8, !numba_exception_output !2
  br label %common.ret

B0.endif.endif.endif.endif:                       ; preds = %B0.endif.endif.endif
  %.255 = icmp sgt i64 %quot.1.0, 0
  %.256 = xor i1 %.254, %.255
  br i1 %.256, label %B0.endif.endif.endif.endif.endif, label %B0.endif.endif.endif.endif.else

B0.endif.endif.endif.endif.else:                  ; preds = %B0.endif.endif.endif.endif
  %.269 = srem i64 %arg.crests.5.0, %quot.1.0
  %.270 = sub nsw i64 0, %.269
  %.271 = select i1 %.254, i64 %.269, i64 %.270
  %.272 = icmp sgt i64 %.271, 0
  %.273 = sdiv i64 %arg.crests.5.0, %quot.1.0
  %.274 = zext i1 %.272 to i64
  %.275 = add i64 %.273, %.274
  br label %B0.endif.endif.endif.endif.endif

B0.endif.endif.endif.endif.endif:                 ; preds = %B0.endif.endif.endif.endif, %B0.endif.endif.endif.endif.else
  %storemerge = phi i64 [ %.275, %B0.endif.endif.endif.endif.else ], [ 0, %B0.endif.endif.endif.endif ]
  %.296618 = icmp sgt i64 %storemerge, 0
  br i1 %.296618, label %B224.lr.ph, label %B728

B224.lr.ph:                                       ; preds = %B0.endif.endif.endif.endif.endif
  %.243.1621 = add nsw i64 %storemerge, -1
  %.570 = icmp slt i64 %arg.room.5.0, 1
  %.1084608.not = icmp slt i64 %arg.pattern.5.0, 1
  %storemerge600 = tail call i64 @llvm.smax.i64(i64 %spec.select, i64 0)
  %.1785611.not = icmp slt i64 %spec.select, 1
  br label %B224

B224.endif:                                       ; preds = %B224.else.endif.endif.endif, %B224.else.endif.endif.endif.if
  %.367.sroa.13.0 = phi i64 [ %arg.crests.5.0, %B224.else.endif.endif.endif.if ], [ %.367.sroa.13.1, %B224.else.endif.endif.endif ]
  %.455 = sub i64 %.367.sroa.13.0, %.367.sroa.0.3
  %.464 = tail call i64 @llvm.smax.i64(i64 %.455, i64 0)
  %.480 = getelementptr double, ptr %arg.crests.4, i64 %.367.sroa.0.3
  %.523 = mul nsw i64 %.464, %spec.select
  br i1 %.570, label %B224.endif.else.endif.if, label %B224.endif.else.endif.endif, !prof !0

B224.else.if:                                     ; preds = %B224
  br label %B224.else.endif

B224.else.endif:                                  ; preds = %B224.else.if, %B224
  %.367.sroa.0.1 = phi i64 [ 0, %B224.else.if ], [ %.379, %B224 ]
  %.387.not = icmp slt i64 %.379, %arg.crests.5.0
  br i1 %.387.not, label %B224.else.endif.endif, label %B224.else.endif.if, !prof !1

B224.else.endif.if:                               ; preds = %B224.else.endif
  br label %B224.else.endif.endif

B224.else.endif.endif:                            ; preds = %B224.else.endif.if, %B224.else.endif
  %.367.sroa.0.3 = phi i64 [ %arg.crests.5.0, %B224.else.endif.if ], [ %.367.sroa.0.1, %B224.else.endif ]
  %.394 = icmp slt i64 %.339, 0
  %.395 = select i1 %.394, i64 %arg.crests.5.0, i64 0
  %.396 = add i64 %.395, %.339
  %.399 = icmp slt i64 %.396, 0
  br i1 %.399, label %B224.else.endif.endif.if, label %B224.else.endif.endif.endif, !prof !0

B224.else.endif.endif.if:                         ; preds = %B224.else.endif.endif
  br label %B224.else.endif.endif.endif

B224.else.endif.endif.endif:                      ; preds = %B224.else.endif.endif.if, %B224.else.endif.endif
  %.367.sroa.13.1 = phi i64 [ 0, %B224.else.endif.endif.if ], [ %.396, %B224.else.endif.endif ]
  %.404.not = icmp slt i64 %.396, %arg.crests.5.0
  br i1 %.404.not, label %B224.endif, label %B224.else.endif.endif.endif.if, !prof !1

B224.else.endif.endif.endif.if:                   ; preds = %B224.else.endif.endif.endif
  br label %B224.endif

B224.endif.endif:                                 ; preds = %B224.endif.else.endif.endif.endif, %B224.endif.else.endif.endif.endif.if
  %.550.sroa.13.0 = phi i64 [ %arg.room.5.0, %B224.endif.else.endif.endif.endif.if ], [ %.550.sroa.13.1, %B224.endif.else.endif.endif.endif ]
  %.638 = sub i64 %.550.sroa.13.0, %.550.sroa.0.3
  %.645 = icmp slt i64 %.638, 1
  %.647 = tail call i64 @llvm.smax.i64(i64 %.638, i64 0)
  %.663 = getelementptr double, ptr %arg.room.4, i64 %.550.sroa.0.3
  br i1 %.645, label %B224.endif.endif.endif.else.endif.if, label %B224.endif.endif.endif.else.endif.endif.endif.if, !prof !0

B224.endif.else.endif.if:                         ; preds = %B224.endif
  br label %B224.endif.else.endif.endif

B224.endif.else.endif.endif:                      ; preds = %B224.endif.else.endif.if, %B224.endif
  %.550.sroa.0.3 = phi i64 [ %arg.room.5.0, %B224.endif.else.endif.if ], [ 0, %B224.endif ]
  %.577 = icmp slt i64 %.523, 0
  %.578 = select i1 %.577, i64 %arg.room.5.0, i64 0
  %.579 = add i64 %.578, %.523
  %.582 = icmp slt i64 %.579, 0
  br i1 %.582, label %B224.endif.else.endif.endif.if, label %B224.endif.else.endif.endif.endif, !prof !0

B224.endif.else.endif.endif.if:                   ; preds = %B224.endif.else.endif.endif
  br label %B224.endif.else.endif.endif.endif

B224.endif.else.endif.endif.endif:                ; preds = %B224.endif.else.endif.endif.if, %B224.endif.else.endif.endif
  %.550.sroa.13.1 = phi i64 [ 0, %B224.endif.else.endif.endif.if ], [ %.579, %B224.endif.else.endif.endif ]
  %.587.not = icmp slt i64 %.579, %arg.room.5.0
  br i1 %.587.not, label %B224.endif.endif, label %B224.endif.else.endif.endif.endif.if, !prof !1

B224.endif.else.endif.endif.endif.if:             ; preds = %B224.endif.else.endif.endif.endif
  br label %B224.endif.endif

B224.endif.endif.endif.else.endif.if:             ; preds = %B224.endif.endif
  br label %B224.endif.endif.endif.else.endif.endif.endif.if

B224.endif.endif.endif.else.endif.endif.endif.if: ; preds = %B224.endif.endif.endif.else.endif.if, %B224.endif.endif
  %.857.sroa.0.3 = phi i64 [ %.647, %B224.endif.endif.endif.else.endif.if ], [ 0, %B224.endif.endif ]
  %.978.not603 = icmp sgt i64 %.638, %.857.sroa.0.3
  br i1 %.978.not603, label %.948.endif.preheader, label %.948.if, !prof !3

.948.endif.preheader:                             ; preds = %B224.endif.endif.endif.else.endif.endif.endif.if
  %1 = add i64 %.550.sroa.0.3, %.857.sroa.0.3
  %2 = shl i64 %1, 3
  %scevgep = getelementptr i8, ptr %arg.room.4, i64 %2
  %3 = add i64 %.550.sroa.0.3, %.857.sroa.0.3
  %4 = sub i64 %.550.sroa.13.0, %3
  %5 = shl nuw i64 %4, 3
  tail call void @llvm.memset.p0.i64(ptr align 8 %scevgep, i8 0, i64 %5, i1 false)
  br label %.948.if

.948.if:                                          ; preds = %.948.endif.preheader, %B224.endif.endif.endif.else.endif.endif.endif.if
  br i1 %.1084608.not, label %B596.preheader, label %B374.if.lr.ph

B374.if.lr.ph:                                    ; preds = %.948.if
  %.1154 = mul nsw i64 %.286.sroa.0.0624, %spec.select
  %.1419605.not = icmp slt i64 %.638, 1
  br label %B374.if

B374.if:                                          ; preds = %B374.if.lr.ph, %B374.loopexit
  %.1028.0609 = phi i64 [ 0, %B374.if.lr.ph ], [ %.1097, %B374.loopexit ]
  %.1097 = add nuw nsw i64 %.1028.0609, 1
  %6 = getelementptr double, ptr %arg.pattern.4, i64 %.1028.0609
  %.1151 = load double, ptr %6, align 8
  %.1155 = add nsw i64 %.1028.0609, %.1154
  %.1192 = icmp slt i64 %.1155, 0
  %.1193 = select i1 %.1192, i64 %arg.sound.5.0, i64 0
  %.1194 = add i64 %.1193, %.1155
  %.1197 = icmp slt i64 %.1194, 0
  br i1 %.1197, label %B376.else.if, label %B376.else.endif, !prof !0

B376.else.if:                                     ; preds = %B374.if
  br label %B376.else.endif

B376.else.endif:                                  ; preds = %B376.else.if, %B374.if
  %.1182.sroa.0.1 = phi i64 [ 0, %B376.else.if ], [ %.1194, %B374.if ]
  %.1202.not = icmp slt i64 %.1194, %arg.sound.5.0
  br i1 %.1202.not, label %B376.else.endif.endif.endif.if, label %B376.else.endif.if, !prof !1

B376.else.endif.if:                               ; preds = %B376.else.endif
  br label %B376.else.endif.endif.endif.if

B376.else.endif.endif.endif.if:                   ; preds = %B376.else.endif.if, %B376.else.endif
  %.1182.sroa.0.3 = phi i64 [ %arg.sound.5.0, %B376.else.endif.if ], [ %.1182.sroa.0.1, %B376.else.endif ]
  %.1295 = getelementptr double, ptr %arg.sound.4, i64 %.1182.sroa.0.3
  br i1 %.1419605.not, label %B374.loopexit, label %B482.if

B482.if:                                          ; preds = %B376.else.endif.endif.endif.if, %B482.if
  %.1363.0606 = phi i64 [ %.1432, %B482.if ], [ 0, %B376.else.endif.endif.endif.if ]
  %.1432 = add nuw nsw i64 %.1363.0606, 1
  %7 = getelementptr double, ptr %.663, i64 %.1363.0606
  %.1486 = load double, ptr %7, align 8
  %8 = getelementptr double, ptr %.1295, i64 %.1363.0606
  %.1516 = load double, ptr %8, align 8
  %.1518 = fmul double %.1151, %.1516
  %.1519 = fadd double %.1486, %.1518
  store double %.1519, ptr %7, align 8
  %exitcond.not = icmp eq i64 %.638, %.1432
  br i1 %exitcond.not, label %B374.loopexit, label %B482.if

B596.if:                                          ; preds = %B596.preheader, %B714
  %.1599.0616 = phi i64 [ %.1668, %B714 ], [ 0, %B596.preheader ]
  %.1668 = add nuw nsw i64 %.1599.0616, 1
  br i1 %.1785611.not, label %B714, label %B654.if.preheader

B654.if.preheader:                                ; preds = %B596.if
  %.1701 = mul nuw nsw i64 %.1599.0616, %spec.select
  br label %B654.if

B654.if:                                          ; preds = %B654.if.preheader, %B654.if
  %highest.2.2614 = phi double [ %.1883.highest.2.2, %B654.if ], [ 0.000000e+00, %B654.if.preheader ]
  %.1732.0613 = phi i64 [ %.1794, %B654.if ], [ %storemerge600, %B654.if.preheader ]
  %.1729.0612 = phi i64 [ %.1798, %B654.if ], [ %.1701, %B654.if.preheader ]
  %.1794 = add nsw i64 %.1732.0613, -1
  %.1798 = add i64 %.1729.0612, 1
  %.1836 = icmp slt i64 %.1729.0612, 0
  %.1837 = select i1 %.1836, i64 %.647, i64 0
  %9 = getelementptr double, ptr %.663, i64 %.1729.0612
  %.1851 = getelementptr double, ptr %9, i64 %.1837
  %.1852 = load double, ptr %.1851, align 8
  %.1883 = fmul double %.1852, %.1852
  %.1889 = fcmp ogt double %.1883, %highest.2.2614
  %.1883.highest.2.2 = select i1 %.1889, double %.1883, double %highest.2.2614
  %.1785 = icmp sgt i64 %.1732.0613, 1
  br i1 %.1785, label %B654.if, label %B714
}

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smax.i64(i64, i64) #1

; Function Attrs: nocallback nofree nounwind willreturn memory(argmem: write)
declare void @llvm.memset.p0.i64(ptr writeonly, i8, i64, i1 immarg) #2

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }
attributes #2 = { nocallback nofree nounwind willreturn memory(argmem: write) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{!"branch_weights", i32 99, i32 1}
!2 = !{i1 true}
!3 = !{!"branch_weights", i32 127, i32 1}
