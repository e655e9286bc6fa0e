; gives back a whole number
@.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727 = internal constant [76 x i8] c"\80\04\95A\00\00\00\00\00\00\00\8C\08builtins\94\8C\0AValueError\94\93\94\8C\1Erange() arg 3 must not be zero\94\85\94N\87\94."
@.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727.sha1 = internal constant [20 x i8] c"\CA\8E\FB:r\D6\14\FE\87 2\CC\E3\AC2`\07\A3\07'"
@.const.picklebuf.ca8efb3a72d614fe872032cce3ac326007a30727 = internal constant { ptr, i32, ptr, ptr, i32 } { ptr @.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727, i32 76, ptr @.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727.sha1, ptr null, i32 0 }
@.const.pickledata.7c6d3677ac0a21fdc37c7342558fee1364bf459c = internal constant [71 x i8] c"\80\04\95<\00\00\00\00\00\00\00\8C\08builtins\94\8C\0AValueError\94\93\94\8C\19slice step cannot be zero\94\85\94N\87\94."
@.const.pickledata.7c6d3677ac0a21fdc37c7342558fee1364bf459c.sha1 = internal constant [20 x i8] c"|m6w\AC\0A!\FD\C3|sBU\8F\EE\13d\BFE\9C"
@.const.picklebuf.7c6d3677ac0a21fdc37c7342558fee1364bf459c = internal constant { ptr, i32, ptr, ptr, i32 } { ptr @.const.pickledata.7c6d3677ac0a21fdc37c7342558fee1364bf459c, i32 71, ptr @.const.pickledata.7c6d3677ac0a21fdc37c7342558fee1364bf459c.sha1, ptr null, i32 0 }

; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define range(i32 0, 2) i32 @layerpipe_find_true_peak_494e48f584741d5f(ptr noalias writeonly %retptr, ptr noalias writeonly %excinfo, ptr readnone %arg.samples.0, ptr readnone %arg.samples.1, i64 %arg.samples.2, i64 %arg.samples.3, ptr readonly %arg.samples.4, i64 %arg.samples.5.0, i64 %arg.samples.6.0, i64 %arg.channel, i64 %arg.channels, double %arg.step, ptr readnone %arg.taps.0, ptr readnone %arg.taps.1, i64 %arg.taps.2, i64 %arg.taps.3, ptr readonly %arg.taps.4, i64 %arg.taps.5.0, i64 %arg.taps.5.1, i64 %arg.taps.6.0, i64 %arg.taps.6.1, ptr readnone %arg.bounds.0, ptr readnone %arg.bounds.1, i64 %arg.bounds.2, i64 %arg.bounds.3, ptr readonly %arg.bounds.4, i64 %arg.bounds.5.0, i64 %arg.bounds.6.0, i64 %arg.cell, ptr readnone %arg.past.0, ptr readnone %arg.past.1, i64 %arg.past.2, i64 %arg.past.3, ptr %arg.past.4, i64 %arg.past.5.0, i64 %arg.past.6.0, ptr readnone %arg.room.0, ptr readnone %arg.room.1, i64 %arg.room.2, i64 %arg.room.3, ptr %arg.room.4, i64 %arg.room.5.0, i64 %arg.room.5.1, i64 %arg.room.6.0, i64 %arg.room.6.1, ptr readnone %arg.patterns.0, ptr readnone %arg.patterns.1, i64 %arg.patterns.2, i64 %arg.patterns.3, ptr %arg.patterns.4, i64 %arg.patterns.5.0, i64 %arg.patterns.5.1, i64 %arg.patterns.6.0, i64 %arg.patterns.6.1, ptr readnone %arg.state.0, ptr readnone %arg.state.1, i64 %arg.state.2, i64 %arg.state.3, ptr %arg.state.4, i64 %arg.state.5.0, i64 %arg.state.6.0) local_unnamed_addr #0 {
entry:
  %.131.0 = ashr i64 %arg.taps.5.0, 1
  %.164 = add nsw i64 %.131.0, -1
  %.169 = add i64 %arg.taps.5.0, -2
  %.204 = load double, ptr %arg.bounds.4, align 8
  %.232 = getelementptr i8, ptr %arg.bounds.4, i64 8
  %.233 = load double, ptr %.232, align 8
  %.279 = icmp slt i64 %arg.bounds.5.0, 3
  br i1 %.279, label %B0.endif.else.endif.if, label %B0.endif.else.endif.endif.endif.if, !prof !0

B168:                                             ; preds = %B140.if, %B0.endif.else.endif.endif.endif.if
  %curve_bound.2.0.lcssa = phi double [ 0.000000e+00, %B0.endif.else.endif.endif.endif.if ], [ %.564, %B140.if ]
  %.601 = load double, ptr %arg.state.4, align 8
  %.630 = getelementptr i8, ptr %arg.state.4, i64 8
  %.631 = load double, ptr %.630, align 8
  %.660 = getelementptr i8, ptr %arg.state.4, i64 16
  %.661 = load double, ptr %.660, align 8
  %.690 = getelementptr i8, ptr %arg.state.4, i64 24
  %.691 = load double, ptr %.690, align 8
  %.775 = icmp slt i64 %arg.room.5.1, 1
  br i1 %.775, label %B168.else.endif.if, label %B168.else.endif.endif, !prof !0

B422.loopexit:                                    ; preds = %B2912.if, %B2912.preheader
  %.1458 = icmp sgt i64 %.1404.12387, 0
  %.1467 = sext i1 %.1458 to i64
  %.1404.1 = add nsw i64 %.1404.12387, %.1467
  %.1471 = select i1 %.1458, i64 %.1369, i64 0
  %.1401.1 = add i64 %.1471, %.1401.12388
  %.1448.sroa.0.0 = select i1 %.1458, i64 %.1401.12388, i64 0
  br i1 %.1458, label %B426, label %B2950

B426:                                             ; preds = %B426.lr.ph, %B422.loopexit
  %.1448.sroa.0.02389 = phi i64 [ 0, %B426.lr.ph ], [ %.1448.sroa.0.0, %B422.loopexit ]
  %.1401.12388 = phi i64 [ %.1369, %B426.lr.ph ], [ %.1401.1, %B422.loopexit ]
  %.1404.12387 = phi i64 [ %.1404.12382, %B426.lr.ph ], [ %.1404.1, %B422.loopexit ]
  %found.2.02386 = phi i64 [ -1, %B426.lr.ph ], [ %found.3.1.lcssa, %B422.loopexit ]
  %floor.4.02385 = phi double [ %.631, %B426.lr.ph ], [ %floor.5.1.lcssa, %B422.loopexit ]
  %peak.4.02384 = phi double [ %.601, %B426.lr.ph ], [ %peak.3.1.lcssa, %B422.loopexit ]
  %.1501 = sub nsw i64 %quot.1.0, %.1448.sroa.0.02389
  %.11.i = tail call i64 @llvm.smin.i64(i64 %.1501, i64 %.1369)
  %.1537 = add i64 %.1536, %.11.i
  %.1552 = icmp ne i64 %.1537, -9223372036854775808
  %.1554.not = or i1 %.1553, %.1552
  %or.cond2395 = select i1 %.1541, i1 %.1554.not, i1 false, !prof !1
  br i1 %or.cond2395, label %B426.endif.else.if, label %B426.endif.endif, !prof !1

B704:                                             ; preds = %B676.if, %B426.endif.endif.endif.en...endif.1
  %.2571 = add nsw i64 %.11.i, %.2567
  %.2609 = select i1 %.2608.inv, i64 0, i64 %.1725
  %.2610 = add i64 %.2609, %.2567
  %.2613 = icmp slt i64 %.2610, 0
  br i1 %.2613, label %B704.else.if, label %B704.else.endif, !prof !0

B754:                                             ; preds = %B704.endif
  %.2786 = icmp slt i64 %.1448.sroa.0.02389, 0
  %.2787 = select i1 %.2786, i64 %arg.samples.5.0, i64 0
  %.2788 = add i64 %.2787, %.1448.sroa.0.02389
  %.2791 = icmp slt i64 %.2788, 0
  br i1 %.2791, label %B754.else.if, label %B754.else.endif, !prof !0

B872:                                             ; preds = %B704.endif
  br i1 %.1313, label %B872.if, label %B872.endif, !prof !0

B996:                                             ; preds = %B962.if, %B836.if, %B872.endif.endif, %B754.else.endif.endif.endif
  %.3522.inv = icmp sgt i64 %.11.i, 0
  %.3523 = select i1 %.3522.inv, i64 0, i64 %.2695
  %0 = getelementptr double, ptr %.2711, i64 %.11.i
  %1 = getelementptr i8, ptr %0, i64 -8
  %.3537 = getelementptr double, ptr %1, i64 %.3523
  %.3538 = load double, ptr %.3537, align 8
  br i1 %.2630, label %B996.endif.else.if, label %B996.endif.else.endif, !prof !0

B1270:                                            ; preds = %B1214.if, %B1078.endif
  %most.4.2.lcssa = phi i64 [ 0, %B1078.endif ], [ %.11.i2293, %B1214.if ]
  %2 = getelementptr i64, ptr %.2339, i64 %.3870.02324
  store i64 %most.4.2.lcssa, ptr %2, align 8
  %.4384 = icmp eq i64 %.3870.02324, 0
  %.4396.not = icmp sgt i64 %.3973, %.4395
  %or.cond = select i1 %.4384, i1 true, i1 %.4396.not
  br i1 %or.cond, label %B1366, label %B1322

B1322:                                            ; preds = %B1270
  %3 = getelementptr double, ptr %.2145, i64 %.3870.02324
  %.4428 = load double, ptr %3, align 8
  %.10.i = fcmp ogt double %.4428, %floor.3.12326
  %.11.i2289 = select i1 %.10.i, double %.4428, double %floor.3.12326
  br label %B1366

B1366:                                            ; preds = %B1322, %B1270
  %floor.10.2 = phi double [ %.11.i2289, %B1322 ], [ %floor.3.12326, %B1270 ]
  %.3926 = icmp sgt i64 %.3873.02325, 1
  br i1 %.3926, label %B1076.if, label %B1368

B1368:                                            ; preds = %B1366, %.3798.if
  %floor.3.1.lcssa = phi double [ %floor.4.02385, %.3798.if ], [ %floor.10.2, %B1366 ]
  %.45882367.not = icmp slt i64 %quot.2.0, 1
  br i1 %.45882367.not, label %B2912.preheader, label %B1410.if.preheader

B1410.if.preheader:                               ; preds = %B1368
  %.4499 = fmul double %.661, %floor.3.1.lcssa
  br label %B1410.if

B2912.preheader:                                  ; preds = %B2952, %B1368
  %peak.3.1.lcssa = phi double [ %peak.4.02384, %B1368 ], [ %peak.5.2, %B2952 ]
  %floor.5.1.lcssa = phi double [ %floor.3.1.lcssa, %B1368 ], [ %floor.6.2, %B2952 ]
  %found.3.1.lcssa = phi i64 [ %found.2.02386, %B1368 ], [ %found.4.2, %B2952 ]
  br i1 %.77372377.not, label %B422.loopexit, label %B2912.if

B1514:                                            ; preds = %B1410.if
  %.4765 = mul nsw i64 %.4531.02368, %arg.cell
  %.4773 = add nsw i64 %.4765, %arg.cell
  %.11.i2290 = tail call i64 @llvm.smin.i64(i64 %.11.i, i64 %.4773)
  %.4843 = icmp slt i64 %.4765, 0
  %.4844 = select i1 %.4843, i64 %.1725, i64 0
  %.4845 = add i64 %.4844, %.4765
  %.4848 = icmp slt i64 %.4845, 0
  br i1 %.4848, label %B1514.endif.else.if, label %B1514.endif.else.endif, !prof !0

B1816.preheader:                                  ; preds = %B1670.if, %B1514.endif.endif.endif.else.endif.endif.endif.if
  br i1 %.56632331.not, label %B1872, label %B1816.if

B1872:                                            ; preds = %B1816.if, %B1816.preheader
  %most.5.3.lcssa = phi i64 [ 0, %B1816.preheader ], [ %.11.i2296, %B1816.if ]
  store i64 %most.5.3.lcssa, ptr %.5801, align 8
  %.5837 = load double, ptr %.5836, align 8
  %.5839 = fmul double %curve_bound.2.0.lcssa, %.5837
  %.5842 = fmul double %.691, %.11.i2295
  %.5843 = fadd double %.5842, %.5839
  %.5849 = fmul double %.233, %.11.i2295
  %.5851 = fadd double %.5849, %.5843
  %.5853 = fcmp olt double %.5851, %wanted.2.12373
  %.5950 = sub i64 %.11.i2290, %.4765
  %.59942356.not = icmp slt i64 %.5950, 1
  %or.cond2410 = select i1 %.5853, i1 true, i1 %.59942356.not
  br i1 %or.cond2410, label %B2952, label %B1990.if

B2146:                                            ; preds = %B1990.if
  br i1 %.62612336, label %B2194.if, label %B2488

B2488:                                            ; preds = %B2194.if, %B2146
  %s1.2.5.lcssa = phi double [ 0.000000e+00, %B2146 ], [ %.6572, %B2194.if ]
  %s0.2.5.lcssa = phi double [ %.5842, %B2146 ], [ %.6433, %B2194.if ]
  %.6582 = fadd double %.6133, %s0.2.5.lcssa
  %.6588 = fadd double %s1.2.5.lcssa, %.6582
  %.6592 = fcmp olt double %.6588, %wanted.4.32362
  br i1 %.6592, label %B2951, label %B2516.else.endif

B2560.loopexit:                                   ; preds = %B2616.if, %B2560.if
  %exitcond2406.not = icmp eq i64 %arg.taps.5.0, %.7010
  br i1 %exitcond2406.not, label %B2678, label %B2560.if

B2678:                                            ; preds = %B2560.loopexit, %.6870.if
  br i1 %.74032351.not, label %B2780, label %B2712.if

B2780:                                            ; preds = %B2712.if, %B2678
  %best.2.5.lcssa = phi double [ 0.000000e+00, %B2678 ], [ %.7471.best.2.5, %B2712.if ]
  %.7528 = fcmp ogt double %best.2.5.lcssa, %peak.2.32359
  br i1 %.7528, label %B2792, label %B2951

B2792:                                            ; preds = %B2780
  %.10.i2291 = fcmp ogt double %best.2.5.lcssa, %floor.7.32360
  %.11.i2292 = select i1 %.10.i2291, double %best.2.5.lcssa, double %floor.7.32360
  %.7534 = add nsw i64 %.5937.02357, %.1448.sroa.0.02389
  %.7578 = fmul double %.661, %.11.i2292
  br label %B2951

common.ret:                                       ; preds = %B872.if, %B168.endif.endif.endif.endif.if, %B2950
  %common.ret.op = phi i32 [ 0, %B2950 ], [ 1, %B872.if ], [ 1, %B168.endif.endif.endif.endif.if ]
  ret i32 %common.ret.op

B2950:                                            ; preds = %B422.loopexit, %B168.endif.endif.endif.endif.endif.endif
  %peak.4.0.lcssa = phi double [ %.601, %B168.endif.endif.endif.endif.endif.endif ], [ %peak.3.1.lcssa, %B422.loopexit ]
  %floor.4.0.lcssa = phi double [ %.631, %B168.endif.endif.endif.endif.endif.endif ], [ %floor.5.1.lcssa, %B422.loopexit ]
  %found.2.0.lcssa = phi i64 [ -1, %B168.endif.endif.endif.endif.endif.endif ], [ %found.3.1.lcssa, %B422.loopexit ]
  store double %peak.4.0.lcssa, ptr %arg.state.4, align 8
  store double %floor.4.0.lcssa, ptr %.630, align 8
  store i64 %found.2.0.lcssa, ptr %retptr, align 8
  br label %common.ret

B2951:                                            ; preds = %B2780, %B2792, %B2488, %B1990.if
  %peak.6.4 = phi double [ %peak.2.32359, %B2488 ], [ %peak.2.32359, %B1990.if ], [ %best.2.5.lcssa, %B2792 ], [ %peak.2.32359, %B2780 ]
  %floor.8.4 = phi double [ %floor.7.32360, %B2488 ], [ %floor.7.32360, %B1990.if ], [ %.11.i2292, %B2792 ], [ %floor.7.32360, %B2780 ]
  %found.6.4 = phi i64 [ %found.5.32361, %B2488 ], [ %found.5.32361, %B1990.if ], [ %.7534, %B2792 ], [ %found.5.32361, %B2780 ]
  %wanted.5.4 = phi double [ %wanted.4.32362, %B2488 ], [ %wanted.4.32362, %B1990.if ], [ %.7578, %B2792 ], [ %wanted.4.32362, %B2780 ]
  %.5994 = icmp sgt i64 %.5940.02358, 1
  br i1 %.5994, label %B1990.if, label %B2952

B2952:                                            ; preds = %B2951, %B1872, %B1410.if
  %peak.5.2 = phi double [ %peak.3.12370, %B1872 ], [ %peak.3.12370, %B1410.if ], [ %peak.6.4, %B2951 ]
  %floor.6.2 = phi double [ %floor.5.12371, %B1872 ], [ %floor.5.12371, %B1410.if ], [ %floor.8.4, %B2951 ]
  %found.4.2 = phi i64 [ %found.3.12372, %B1872 ], [ %found.3.12372, %B1410.if ], [ %found.6.4, %B2951 ]
  %wanted.3.2 = phi double [ %wanted.2.12373, %B1872 ], [ %wanted.2.12373, %B1410.if ], [ %wanted.5.4, %B2951 ]
  %exitcond2408.not = icmp eq i64 %quot.2.0, %.4601
  br i1 %exitcond2408.not, label %B2912.preheader, label %B1410.if

B0.endif.else.endif.if:                           ; preds = %entry
  br label %B0.endif.else.endif.endif.endif.if

B0.endif.else.endif.endif.endif.if:               ; preds = %B0.endif.else.endif.if, %entry
  %.259.sroa.0.3 = phi i64 [ %arg.bounds.5.0, %B0.endif.else.endif.if ], [ 2, %entry ]
  %.347 = sub i64 %arg.bounds.5.0, %.259.sroa.0.3
  %.356 = tail call i64 @llvm.smax.i64(i64 %.347, i64 0)
  %.372 = getelementptr double, ptr %arg.bounds.4, i64 %.259.sroa.0.3
  %.451 = icmp slt i64 %arg.taps.5.0, 3
  %storemerge = select i1 %.451, i64 0, i64 %.169
  %.4952303 = icmp sgt i64 %storemerge, 0
  br i1 %.4952303, label %B140.if, label %B168

B140.if:                                          ; preds = %B0.endif.else.endif.endif.endif.if, %B140.if
  %curve_bound.2.02306 = phi double [ %.564, %B140.if ], [ 0.000000e+00, %B0.endif.else.endif.endif.endif.if ]
  %.437.02305 = phi i64 [ %.508, %B140.if ], [ 0, %B0.endif.else.endif.endif.endif.if ]
  %.508 = add nuw nsw i64 %.437.02305, 1
  %4 = getelementptr double, ptr %.372, i64 %.437.02305
  %.562 = load double, ptr %4, align 8
  %.564 = fadd double %curve_bound.2.02306, %.562
  %exitcond.not = icmp eq i64 %.508, %storemerge
  br i1 %exitcond.not, label %B168, label %B140.if

B168.endif:                                       ; preds = %B168.else.endif.endif.endif, %B168.else.endif.endif.endif.if
  %.755.sroa.13.0 = phi i64 [ %arg.room.5.1, %B168.else.endif.endif.endif.if ], [ %.755.sroa.13.1, %B168.else.endif.endif.endif ]
  %.843 = sub i64 %.755.sroa.13.0, %.755.sroa.0.3
  %.850 = icmp slt i64 %.843, 1
  %.852 = select i1 %.850, i64 0, i64 %.843
  %.idx = shl i64 %arg.room.5.1, 4
  %5 = getelementptr i8, ptr %arg.room.4, i64 %.idx
  %.876 = getelementptr double, ptr %5, i64 %.755.sroa.0.3
  br i1 %.787, label %B168.endif.else.if, label %B168.endif.else.endif, !prof !0

B168.else.endif.if:                               ; preds = %B168
  br label %B168.else.endif.endif

B168.else.endif.endif:                            ; preds = %B168.else.endif.if, %B168
  %.755.sroa.0.3 = phi i64 [ %arg.room.5.1, %B168.else.endif.if ], [ 0, %B168 ]
  %.782 = icmp slt i64 %arg.taps.5.1, 0
  %.783 = select i1 %.782, i64 %arg.room.5.1, i64 0
  %.784 = add i64 %.783, %arg.taps.5.1
  %.787 = icmp slt i64 %.784, 0
  br i1 %.787, label %B168.else.endif.endif.if, label %B168.else.endif.endif.endif, !prof !0

B168.else.endif.endif.if:                         ; preds = %B168.else.endif.endif
  br label %B168.else.endif.endif.endif

B168.else.endif.endif.endif:                      ; preds = %B168.else.endif.endif.if, %B168.else.endif.endif
  %.755.sroa.13.1 = phi i64 [ 0, %B168.else.endif.endif.if ], [ %.784, %B168.else.endif.endif ]
  %.792.not = icmp slt i64 %.784, %arg.room.5.1
  br i1 %.792.not, label %B168.endif, label %B168.else.endif.endif.endif.if, !prof !2

B168.else.endif.endif.endif.if:                   ; preds = %B168.else.endif.endif.endif
  br label %B168.endif

B168.endif.else.if:                               ; preds = %B168.endif
  br label %B168.endif.else.endif

B168.endif.else.endif:                            ; preds = %B168.endif.else.if, %B168.endif
  %.948.sroa.0.1 = phi i64 [ 0, %B168.endif.else.if ], [ %.784, %B168.endif ]
  br i1 %.792.not, label %B168.endif.else.endif.endif.endif.if, label %B168.endif.else.endif.if, !prof !2

B168.endif.else.endif.if:                         ; preds = %B168.endif.else.endif
  br label %B168.endif.else.endif.endif.endif.if

B168.endif.else.endif.endif.endif.if:             ; preds = %B168.endif.else.endif.if, %B168.endif.else.endif
  %.948.sroa.0.3 = phi i64 [ %arg.room.5.1, %B168.endif.else.endif.if ], [ %.948.sroa.0.1, %B168.endif.else.endif ]
  %.1036 = sub i64 %arg.room.5.1, %.948.sroa.0.3
  %.1045 = tail call i64 @llvm.smax.i64(i64 %.1036, i64 0)
  %.1069 = getelementptr double, ptr %5, i64 %.948.sroa.0.3
  %.1152 = select i1 %.782, i64 %arg.patterns.5.1, i64 0
  %.1153 = add i64 %.1152, %arg.taps.5.1
  %.1156 = icmp slt i64 %.1153, 0
  br i1 %.1156, label %B168.endif.endif.else.if, label %B168.endif.endif.else.endif, !prof !0

B168.endif.endif.else.if:                         ; preds = %B168.endif.else.endif.endif.endif.if
  br label %B168.endif.endif.else.endif

B168.endif.endif.else.endif:                      ; preds = %B168.endif.endif.else.if, %B168.endif.else.endif.endif.endif.if
  %.1141.sroa.0.1 = phi i64 [ 0, %B168.endif.endif.else.if ], [ %.1153, %B168.endif.else.endif.endif.endif.if ]
  %.1161.not = icmp slt i64 %.1153, %arg.patterns.5.1
  br i1 %.1161.not, label %B168.endif.endif.else.endif.endif.endif.if, label %B168.endif.endif.else.endif.if, !prof !2

B168.endif.endif.else.endif.if:                   ; preds = %B168.endif.endif.else.endif
  br label %B168.endif.endif.else.endif.endif.endif.if

B168.endif.endif.else.endif.endif.endif.if:       ; preds = %B168.endif.endif.else.endif.if, %B168.endif.endif.else.endif
  %.1141.sroa.0.3 = phi i64 [ %arg.patterns.5.1, %B168.endif.endif.else.endif.if ], [ %.1141.sroa.0.1, %B168.endif.endif.else.endif ]
  %.1229 = sub i64 %arg.patterns.5.1, %.1141.sroa.0.3
  %.1238 = tail call i64 @llvm.smax.i64(i64 %.1229, i64 0)
  %.idx2271 = shl i64 %arg.patterns.5.1, 4
  %6 = getelementptr i8, ptr %arg.patterns.4, i64 %.idx2271
  %.1262 = getelementptr i64, ptr %6, i64 %.1141.sroa.0.3
  %.1313 = icmp eq i64 %arg.channels, 0
  br i1 %.1313, label %B168.endif.endif.endif.endif, label %B168.endif.endif.endif.else, !prof !0

B168.endif.endif.endif.else:                      ; preds = %B168.endif.endif.else.endif.endif.endif.if
  %.1324 = icmp ne i64 %arg.samples.5.0, -9223372036854775808
  %.1325 = icmp ne i64 %arg.channels, -1
  %.1326.not = or i1 %.1324, %.1325
  br i1 %.1326.not, label %B168.endif.endif.endif.else.if, label %B168.endif.endif.endif.endif, !prof !2

B168.endif.endif.endif.endif:                     ; preds = %B168.endif.endif.endif.else.if, %B168.endif.endif.endif.else, %B168.endif.endif.else.endif.endif.endif.if
  %quot.1.0 = phi i64 [ 0, %B168.endif.endif.else.endif.endif.endif.if ], [ %spec.select, %B168.endif.endif.endif.else.if ], [ 0, %B168.endif.endif.endif.else ]
  %.1368 = shl nsw i64 %arg.cell, 1
  %.1369 = sub nsw i64 %arg.room.5.1, %.1368
  %.1415 = icmp sgt i64 %quot.1.0, 0
  %.1418 = icmp eq i64 %arg.room.5.1, %.1368
  br i1 %.1418, label %B168.endif.endif.endif.endif.if, label %B168.endif.endif.endif.endif.endif, !prof !0

B168.endif.endif.endif.else.if:                   ; preds = %B168.endif.endif.endif.else
  %.1329 = sdiv i64 %arg.samples.5.0, %arg.channels
  %.1330 = srem i64 %arg.samples.5.0, %arg.channels
  %.1331 = xor i64 %.1330, %arg.channels
  %.1332 = icmp slt i64 %.1331, 0
  %.1333 = icmp ne i64 %.1330, 0
  %.1334 = and i1 %.1333, %.1332
  %.1339 = sext i1 %.1334 to i64
  %spec.select = add i64 %.1329, %.1339
  br label %B168.endif.endif.endif.endif

B168.endif.endif.endif.endif.if:                  ; preds = %B168.endif.endif.endif.endif
  store ptr @.const.picklebuf.ca8efb3a72d614fe872032cce3ac326007a30727, ptr %excinfo, align 8, !numba_exception_output !3
  br label %common.ret

B168.endif.endif.endif.endif.endif:               ; preds = %B168.endif.endif.endif.endif
  %.1416 = icmp sgt i64 %.1369, 0
  %.1417 = xor i1 %.1416, %.1415
  br i1 %.1417, label %B168.endif.endif.endif.endif.endif.endif, label %B168.endif.endif.endif.endif.endif.else

B168.endif.endif.endif.endif.endif.else:          ; preds = %B168.endif.endif.endif.endif.endif
  %.1430 = srem i64 %quot.1.0, %.1369
  %.1431 = sub nsw i64 0, %.1430
  %.1432 = select i1 %.1415, i64 %.1430, i64 %.1431
  %.1433 = icmp sgt i64 %.1432, 0
  %.1434 = sdiv i64 %quot.1.0, %.1369
  %.1435 = zext i1 %.1433 to i64
  %.1436 = add i64 %.1434, %.1435
  br label %B168.endif.endif.endif.endif.endif.endif

B168.endif.endif.endif.endif.endif.endif:         ; preds = %B168.endif.endif.endif.endif.endif, %B168.endif.endif.endif.endif.endif.else
  %storemerge2272 = phi i64 [ %.1436, %B168.endif.endif.endif.endif.endif.else ], [ 0, %B168.endif.endif.endif.endif.endif ]
  %.14582380 = icmp sgt i64 %storemerge2272, 0
  br i1 %.14582380, label %B426.lr.ph, label %B2950

B426.lr.ph:                                       ; preds = %B168.endif.endif.endif.endif.endif.endif
  %.1404.12382 = add nsw i64 %storemerge2272, -1
  %.1536 = add i64 %arg.cell, -1
  %.1541 = icmp ne i64 %arg.cell, 0
  %.1553 = icmp ne i64 %arg.cell, -1
  %.1844 = icmp slt i64 %arg.patterns.5.1, 1
  %7 = getelementptr double, ptr %arg.room.4, i64 %arg.room.5.1
  %8 = getelementptr i64, ptr %arg.patterns.4, i64 %arg.patterns.5.1
  %.24632307.not = icmp slt i64 %arg.past.5.0, 1
  %.2567 = add nsw i64 %arg.taps.5.0, -1
  %.2608.inv = icmp sgt i64 %arg.taps.5.0, 0
  %.2744 = icmp eq i64 %arg.channels, 1
  %.3124 = icmp slt i64 %arg.channels, 0
  %.3202 = add i64 %arg.samples.5.0, -1
  %.3259 = mul i64 %arg.channels, %arg.samples.6.0
  %.4728 = fadd double %.204, %.691
  %.5326 = add i64 %arg.cell, %.169
  %.54062328.not = icmp slt i64 %.5326, 1
  %.56632331.not = icmp slt i64 %.5326, 1
  %.5786 = icmp slt i64 %.5326, 0
  %.5787 = select i1 %.5786, i64 %.1238, i64 0
  %9 = getelementptr i64, ptr %.1262, i64 %.5326
  %.5801 = getelementptr i64, ptr %9, i64 %.5787
  %.5822 = select i1 %.5786, i64 %.1045, i64 0
  %10 = getelementptr double, ptr %.1069, i64 %.5326
  %.5836 = getelementptr double, ptr %10, i64 %.5822
  %11 = and i64 %.169, -9223372036854775807
  %.6237 = icmp eq i64 %11, 1
  %.6238 = sdiv i64 %.169, 2
  %.6239 = zext i1 %.6237 to i64
  %.6240 = add nsw i64 %.6238, %.6239
  %.69972348.not = icmp slt i64 %arg.taps.5.0, 1
  %.71542345.not = icmp slt i64 %arg.taps.5.1, 1
  %.74032351.not = icmp slt i64 %arg.taps.5.1, 1
  %.77372377.not = icmp slt i64 %arg.past.5.0, 1
  %12 = shl i64 %.755.sroa.0.3, 3
  %13 = getelementptr i8, ptr %arg.room.4, i64 %.idx
  %scevgep = getelementptr i8, ptr %13, i64 %12
  %spec.select2394 = select i1 %.451, i64 0, i64 %.6240
  %.62612336 = icmp sgt i64 %spec.select2394, 0
  br label %B426

B426.endif.endif:                                 ; preds = %B426.endif.else.if, %B426
  %quot.2.0 = phi i64 [ 0, %B426 ], [ %spec.select2288, %B426.endif.else.if ]
  %.1583 = add nsw i64 %quot.2.0, 1
  %.1585 = mul nsw i64 %.1583, %arg.cell
  br i1 %.775, label %B426.endif.endif.else.endif.if, label %B426.endif.endif.else.endif.endif, !prof !0

B426.endif.else.if:                               ; preds = %B426
  %.1557 = sdiv i64 %.1537, %arg.cell
  %.1558 = srem i64 %.1537, %arg.cell
  %.1559 = xor i64 %.1558, %arg.cell
  %.1560 = icmp slt i64 %.1559, 0
  %.1561 = icmp ne i64 %.1558, 0
  %.1562 = and i1 %.1561, %.1560
  %.1567 = sext i1 %.1562 to i64
  %spec.select2288 = add i64 %.1557, %.1567
  br label %B426.endif.endif

B426.endif.endif.endif:                           ; preds = %B426.endif.endif.else.endif.endif.endif, %B426.endif.endif.else.endif.endif.endif.if
  %.1628.sroa.13.0 = phi i64 [ %arg.room.5.1, %B426.endif.endif.else.endif.endif.endif.if ], [ %.1628.sroa.13.1, %B426.endif.endif.else.endif.endif.endif ]
  %.1716 = sub i64 %.1628.sroa.13.0, %.1628.sroa.0.3
  %.1725 = tail call i64 @llvm.smax.i64(i64 %.1716, i64 0)
  %.1749 = getelementptr double, ptr %arg.room.4, i64 %.1628.sroa.0.3
  br i1 %.1844, label %B426.endif.endif.endif.else.endif.if, label %B426.endif.endif.endif.else.endif.endif, !prof !0

B426.endif.endif.else.endif.if:                   ; preds = %B426.endif.endif
  br label %B426.endif.endif.else.endif.endif

B426.endif.endif.else.endif.endif:                ; preds = %B426.endif.endif.else.endif.if, %B426.endif.endif
  %.1628.sroa.0.3 = phi i64 [ %arg.room.5.1, %B426.endif.endif.else.endif.if ], [ 0, %B426.endif.endif ]
  %.1655 = icmp slt i64 %.1585, 0
  %.1656 = select i1 %.1655, i64 %arg.room.5.1, i64 0
  %.1657 = add i64 %.1656, %.1585
  %.1660 = icmp slt i64 %.1657, 0
  br i1 %.1660, label %B426.endif.endif.else.endif.endif.if, label %B426.endif.endif.else.endif.endif.endif, !prof !0

B426.endif.endif.else.endif.endif.if:             ; preds = %B426.endif.endif.else.endif.endif
  br label %B426.endif.endif.else.endif.endif.endif

B426.endif.endif.else.endif.endif.endif:          ; preds = %B426.endif.endif.else.endif.endif.if, %B426.endif.endif.else.endif.endif
  %.1628.sroa.13.1 = phi i64 [ 0, %B426.endif.endif.else.endif.endif.if ], [ %.1657, %B426.endif.endif.else.endif.endif ]
  %.1665.not = icmp slt i64 %.1657, %arg.room.5.1
  br i1 %.1665.not, label %B426.endif.endif.endif, label %B426.endif.endif.else.endif.endif.endif.if, !prof !2

B426.endif.endif.else.endif.endif.endif.if:       ; preds = %B426.endif.endif.else.endif.endif.endif
  br label %B426.endif.endif.endif

B426.endif.endif.endif.endif:                     ; preds = %B426.endif.endif.endif.else.endif.endif.endif, %B426.endif.endif.endif.else.endif.endif.endif.if
  %.1824.sroa.13.0 = phi i64 [ %arg.patterns.5.1, %B426.endif.endif.endif.else.endif.endif.endif.if ], [ %.1824.sroa.13.1, %B426.endif.endif.endif.else.endif.endif.endif ]
  %.1912 = sub i64 %.1824.sroa.13.0, %.1824.sroa.0.3
  %.1921 = tail call i64 @llvm.smax.i64(i64 %.1912, i64 0)
  %.1945 = getelementptr i64, ptr %arg.patterns.4, i64 %.1824.sroa.0.3
  br i1 %.775, label %B426.endif.endif.endif.endif.else.endif.if, label %B426.endif.endif.endif.endif.else.endif.endif.endif, !prof !0

B426.endif.endif.endif.else.endif.if:             ; preds = %B426.endif.endif.endif
  br label %B426.endif.endif.endif.else.endif.endif

B426.endif.endif.endif.else.endif.endif:          ; preds = %B426.endif.endif.endif.else.endif.if, %B426.endif.endif.endif
  %.1824.sroa.0.3 = phi i64 [ %arg.patterns.5.1, %B426.endif.endif.endif.else.endif.if ], [ 0, %B426.endif.endif.endif ]
  %.1852 = select i1 %.1655, i64 %arg.patterns.5.1, i64 0
  %.1853 = add i64 %.1852, %.1585
  %.1856 = icmp slt i64 %.1853, 0
  br i1 %.1856, label %B426.endif.endif.endif.else.endif.endif.if, label %B426.endif.endif.endif.else.endif.endif.endif, !prof !0

B426.endif.endif.endif.else.endif.endif.if:       ; preds = %B426.endif.endif.endif.else.endif.endif
  br label %B426.endif.endif.endif.else.endif.endif.endif

B426.endif.endif.endif.else.endif.endif.endif:    ; preds = %B426.endif.endif.endif.else.endif.endif.if, %B426.endif.endif.endif.else.endif.endif
  %.1824.sroa.13.1 = phi i64 [ 0, %B426.endif.endif.endif.else.endif.endif.if ], [ %.1853, %B426.endif.endif.endif.else.endif.endif ]
  %.1861.not = icmp slt i64 %.1853, %arg.patterns.5.1
  br i1 %.1861.not, label %B426.endif.endif.endif.endif, label %B426.endif.endif.endif.else.endif.endif.endif.if, !prof !2

B426.endif.endif.endif.else.endif.endif.endif.if: ; preds = %B426.endif.endif.endif.else.endif.endif.endif
  br label %B426.endif.endif.endif.endif

B426.endif.endif.endif.endif.else.endif.if:       ; preds = %B426.endif.endif.endif.endif
  br label %B426.endif.endif.endif.endif.else.endif.endif.endif

B426.endif.endif.endif.endif.else.endif.endif.endif: ; preds = %B426.endif.endif.endif.endif, %B426.endif.endif.endif.endif.else.endif.if
  %.2024.sroa.0.3 = phi i64 [ %arg.room.5.1, %B426.endif.endif.endif.endif.else.endif.if ], [ 0, %B426.endif.endif.endif.endif ]
  %.2145 = getelementptr double, ptr %7, i64 %.2024.sroa.0.3
  br i1 %.1844, label %B426.endif.endif.endif.endif.endif.else.endif.if, label %B426.endif.endif.endif.en...endif.1, !prof !0

B426.endif.endif.endif.endif.endif.else.endif.if: ; preds = %B426.endif.endif.endif.endif.else.endif.endif.endif
  br label %B426.endif.endif.endif.en...endif.1

B426.endif.endif.endif.en...endif.1:              ; preds = %B426.endif.endif.endif.endif.else.endif.endif.endif, %B426.endif.endif.endif.endif.endif.else.endif.if
  %.2218.sroa.0.3 = phi i64 [ %arg.patterns.5.1, %B426.endif.endif.endif.endif.endif.else.endif.if ], [ 0, %B426.endif.endif.endif.endif.else.endif.endif.endif ]
  %.2339 = getelementptr i64, ptr %8, i64 %.2218.sroa.0.3
  br i1 %.24632307.not, label %B704, label %B676.if

B676.if:                                          ; preds = %B426.endif.endif.endif.en...endif.1, %B676.if
  %.2407.02309 = phi i64 [ %.2476, %B676.if ], [ 0, %B426.endif.endif.endif.en...endif.1 ]
  %.2476 = add nuw nsw i64 %.2407.02309, 1
  %14 = getelementptr double, ptr %arg.past.4, i64 %.2407.02309
  %.2530 = load double, ptr %14, align 8
  %15 = getelementptr double, ptr %.1749, i64 %.2407.02309
  store double %.2530, ptr %15, align 8
  %exitcond2397.not = icmp eq i64 %arg.past.5.0, %.2476
  br i1 %exitcond2397.not, label %B704, label %B676.if

B704.endif:                                       ; preds = %B704.else.endif.endif.endif, %B704.else.endif.endif.endif.if
  %.2598.sroa.13.0 = phi i64 [ %.1725, %B704.else.endif.endif.endif.if ], [ %.2598.sroa.13.1, %B704.else.endif.endif.endif ]
  %.2686 = sub nsw i64 %.2598.sroa.13.0, %.2598.sroa.0.3
  %.2695 = tail call i64 @llvm.smax.i64(i64 %.2686, i64 0)
  %.2711 = getelementptr double, ptr %.1749, i64 %.2598.sroa.0.3
  br i1 %.2744, label %B754, label %B872

B704.else.if:                                     ; preds = %B704
  br label %B704.else.endif

B704.else.endif:                                  ; preds = %B704.else.if, %B704
  %.2598.sroa.0.1 = phi i64 [ 0, %B704.else.if ], [ %.2610, %B704 ]
  %.2618.not = icmp slt i64 %.2610, %.1725
  br i1 %.2618.not, label %B704.else.endif.endif, label %B704.else.endif.if, !prof !2

B704.else.endif.if:                               ; preds = %B704.else.endif
  br label %B704.else.endif.endif

B704.else.endif.endif:                            ; preds = %B704.else.endif.if, %B704.else.endif
  %.2598.sroa.0.3 = phi i64 [ %.1725, %B704.else.endif.if ], [ %.2598.sroa.0.1, %B704.else.endif ]
  %.2625 = icmp slt i64 %.2571, 0
  %.2626 = select i1 %.2625, i64 %.1725, i64 0
  %.2627 = add i64 %.2626, %.2571
  %.2630 = icmp slt i64 %.2627, 0
  br i1 %.2630, label %B704.else.endif.endif.if, label %B704.else.endif.endif.endif, !prof !0

B704.else.endif.endif.if:                         ; preds = %B704.else.endif.endif
  br label %B704.else.endif.endif.endif

B704.else.endif.endif.endif:                      ; preds = %B704.else.endif.endif.if, %B704.else.endif.endif
  %.2598.sroa.13.1 = phi i64 [ 0, %B704.else.endif.endif.if ], [ %.2627, %B704.else.endif.endif ]
  %.2635.not = icmp slt i64 %.2627, %.1725
  br i1 %.2635.not, label %B704.endif, label %B704.else.endif.endif.endif.if, !prof !2

B704.else.endif.endif.endif.if:                   ; preds = %B704.else.endif.endif.endif
  br label %B704.endif

B754.else.if:                                     ; preds = %B754
  br label %B754.else.endif

B754.else.endif:                                  ; preds = %B754.else.if, %B754
  %.2776.sroa.0.1 = phi i64 [ 0, %B754.else.if ], [ %.2788, %B754 ]
  %.2796.not = icmp slt i64 %.2788, %arg.samples.5.0
  br i1 %.2796.not, label %B754.else.endif.endif.endif, label %B754.else.endif.if, !prof !2

B754.else.endif.if:                               ; preds = %B754.else.endif
  br label %B754.else.endif.endif.endif

B754.else.endif.endif.endif:                      ; preds = %B754.else.endif, %B754.else.endif.if
  %.2776.sroa.0.3 = phi i64 [ %arg.samples.5.0, %B754.else.endif.if ], [ %.2776.sroa.0.1, %B754.else.endif ]
  %.2889 = getelementptr double, ptr %arg.samples.4, i64 %.2776.sroa.0.3
  %.30102313.not = icmp slt i64 %.2686, 1
  br i1 %.30102313.not, label %B996, label %B836.if

B836.if:                                          ; preds = %B754.else.endif.endif.endif, %B836.if
  %.2954.02314 = phi i64 [ %.3023, %B836.if ], [ 0, %B754.else.endif.endif.endif ]
  %.3023 = add nuw nsw i64 %.2954.02314, 1
  %16 = getelementptr double, ptr %.2889, i64 %.2954.02314
  %.3077 = load double, ptr %16, align 8
  %.3079 = fmul double %arg.step, %.3077
  %17 = getelementptr double, ptr %.2711, i64 %.2954.02314
  store double %.3079, ptr %17, align 8
  %exitcond2399.not = icmp eq i64 %.2686, %.3023
  br i1 %exitcond2399.not, label %B996, label %B836.if

B872.if:                                          ; preds = %B872
  store ptr @.const.picklebuf.7c6d3677ac0a21fdc37c7342558fee1364bf459c, ptr %excinfo, align 8, !numba_exception_output !3
  br label %common.ret

B872.endif:                                       ; preds = %B872
  %.3120 = mul nsw i64 %.1448.sroa.0.02389, %arg.channels
  %.3122 = add nsw i64 %.3120, %arg.channel
  %.3205 = icmp slt i64 %.3122, 0
  %.3206 = select i1 %.3205, i64 %arg.samples.5.0, i64 0
  %.3207 = add i64 %.3206, %.3122
  %.3210 = icmp slt i64 %.3207, 0
  br i1 %.3124, label %B872.endif.if, label %B872.endif.else

B872.endif.if:                                    ; preds = %B872.endif
  br i1 %.3210, label %B872.endif.if.if, label %B872.endif.if.endif, !prof !0

B872.endif.else:                                  ; preds = %B872.endif
  br i1 %.3210, label %B872.endif.else.if, label %B872.endif.else.endif, !prof !0

B872.endif.endif:                                 ; preds = %B872.endif.if.endif.if, %B872.endif.if.endif, %B872.endif.else.endif.if, %B872.endif.else.endif
  %.3150.sroa.0.2 = phi i64 [ %.3150.sroa.0.1, %B872.endif.else.endif ], [ %arg.samples.5.0, %B872.endif.else.endif.if ], [ %.3202, %B872.endif.if.endif.if ], [ %.3150.sroa.0.0, %B872.endif.if.endif ]
  %.3272 = getelementptr double, ptr %arg.samples.4, i64 %.3150.sroa.0.2
  %.33932310.not = icmp slt i64 %.2686, 1
  br i1 %.33932310.not, label %B996, label %B962.if

B872.endif.else.if:                               ; preds = %B872.endif.else
  br label %B872.endif.else.endif

B872.endif.else.endif:                            ; preds = %B872.endif.else.if, %B872.endif.else
  %.3150.sroa.0.1 = phi i64 [ 0, %B872.endif.else.if ], [ %.3207, %B872.endif.else ]
  %.3179.not = icmp slt i64 %.3207, %arg.samples.5.0
  br i1 %.3179.not, label %B872.endif.endif, label %B872.endif.else.endif.if, !prof !2

B872.endif.else.endif.if:                         ; preds = %B872.endif.else.endif
  br label %B872.endif.endif

B872.endif.if.if:                                 ; preds = %B872.endif.if
  br label %B872.endif.if.endif

B872.endif.if.endif:                              ; preds = %B872.endif.if.if, %B872.endif.if
  %.3150.sroa.0.0 = phi i64 [ -1, %B872.endif.if.if ], [ %.3207, %B872.endif.if ]
  %.3215.not = icmp slt i64 %.3207, %arg.samples.5.0
  br i1 %.3215.not, label %B872.endif.endif, label %B872.endif.if.endif.if, !prof !2

B872.endif.if.endif.if:                           ; preds = %B872.endif.if.endif
  br label %B872.endif.endif

B962.if:                                          ; preds = %B872.endif.endif, %B962.if
  %.3337.02311 = phi i64 [ %.3406, %B962.if ], [ 0, %B872.endif.endif ]
  %.3406 = add nuw nsw i64 %.3337.02311, 1
  %.3457 = mul i64 %.3259, %.3337.02311
  %.3459 = getelementptr i8, ptr %.3272, i64 %.3457
  %.3461 = load double, ptr %.3459, align 8
  %.3463 = fmul double %arg.step, %.3461
  %18 = getelementptr double, ptr %.2711, i64 %.3337.02311
  store double %.3463, ptr %18, align 8
  %exitcond2398.not = icmp eq i64 %.2686, %.3406
  br i1 %exitcond2398.not, label %B996, label %B962.if

B996.endif.else.if:                               ; preds = %B996
  br label %B996.endif.else.endif

B996.endif.else.endif:                            ; preds = %B996.endif.else.if, %B996
  %.3707.sroa.0.1 = phi i64 [ 0, %B996.endif.else.if ], [ %.2627, %B996 ]
  br i1 %.2635.not, label %B996.endif.else.endif.endif.endif.if, label %B996.endif.else.endif.if, !prof !2

B996.endif.else.endif.if:                         ; preds = %B996.endif.else.endif
  br label %B996.endif.else.endif.endif.endif.if

B996.endif.else.endif.endif.endif.if:             ; preds = %B996.endif.else.endif.if, %B996.endif.else.endif
  %.3707.sroa.0.3 = phi i64 [ %.1725, %B996.endif.else.endif.if ], [ %.3707.sroa.0.1, %B996.endif.else.endif ]
  %.3828.not2316 = icmp sgt i64 %.1716, %.3707.sroa.0.3
  br i1 %.3828.not2316, label %.3798.endif, label %.3798.if, !prof !4

.3798.if:                                         ; preds = %.3798.endif, %B996.endif.else.endif.endif.endif.if
  %.39262323.not = icmp slt i64 %quot.2.0, 0
  br i1 %.39262323.not, label %B1368, label %B1076.if.lr.ph

B1076.if.lr.ph:                                   ; preds = %.3798.if
  %.4395 = add nsw i64 %.11.i, %.164
  br label %B1076.if

.3798.endif:                                      ; preds = %B996.endif.else.endif.endif.endif.if, %.3798.endif
  %.3794.02317 = phi i64 [ %.3839, %.3798.endif ], [ %.3707.sroa.0.3, %B996.endif.else.endif.endif.endif.if ]
  %.3834 = getelementptr double, ptr %.1749, i64 %.3794.02317
  store double %.3538, ptr %.3834, align 8
  %.3839 = add nuw nsw i64 %.3794.02317, 1
  %exitcond2400.not = icmp eq i64 %.3839, %.1725
  br i1 %exitcond2400.not, label %.3798.if, label %.3798.endif, !prof !5

B1076.if:                                         ; preds = %B1076.if.lr.ph, %B1366
  %floor.3.12326 = phi double [ %floor.4.02385, %B1076.if.lr.ph ], [ %floor.10.2, %B1366 ]
  %.3873.02325 = phi i64 [ %.1583, %B1076.if.lr.ph ], [ %.3935, %B1366 ]
  %.3870.02324 = phi i64 [ 0, %B1076.if.lr.ph ], [ %.3939, %B1366 ]
  %.3935 = add nsw i64 %.3873.02325, -1
  %.3939 = add nuw nsw i64 %.3870.02324, 1
  %.3973 = mul nsw i64 %.3939, %arg.cell
  %.3969 = mul nsw i64 %.3870.02324, %arg.cell
  %.4010 = icmp slt i64 %.3969, 0
  %.4011 = select i1 %.4010, i64 %.1921, i64 0
  %.4012 = add i64 %.4011, %.3969
  %.4015 = icmp slt i64 %.4012, 0
  br i1 %.4015, label %B1078.else.if, label %B1078.else.endif, !prof !0

B1078.endif:                                      ; preds = %B1078.else.endif.endif.endif, %B1078.else.endif.endif.endif.if
  %.4000.sroa.13.0 = phi i64 [ %.1921, %B1078.else.endif.endif.endif.if ], [ %.4000.sroa.13.1, %B1078.else.endif.endif.endif ]
  %.4088 = sub nsw i64 %.4000.sroa.13.0, %.4000.sroa.0.3
  %.4113 = getelementptr i64, ptr %.1945, i64 %.4000.sroa.0.3
  %.42372318.not = icmp slt i64 %.4088, 1
  br i1 %.42372318.not, label %B1270, label %B1214.if

B1078.else.if:                                    ; preds = %B1076.if
  br label %B1078.else.endif

B1078.else.endif:                                 ; preds = %B1078.else.if, %B1076.if
  %.4000.sroa.0.1 = phi i64 [ 0, %B1078.else.if ], [ %.4012, %B1076.if ]
  %.4020.not = icmp slt i64 %.4012, %.1921
  br i1 %.4020.not, label %B1078.else.endif.endif, label %B1078.else.endif.if, !prof !2

B1078.else.endif.if:                              ; preds = %B1078.else.endif
  br label %B1078.else.endif.endif

B1078.else.endif.endif:                           ; preds = %B1078.else.endif.if, %B1078.else.endif
  %.4000.sroa.0.3 = phi i64 [ %.1921, %B1078.else.endif.if ], [ %.4000.sroa.0.1, %B1078.else.endif ]
  %.4027 = icmp slt i64 %.3973, 0
  %.4028 = select i1 %.4027, i64 %.1921, i64 0
  %.4029 = add i64 %.4028, %.3973
  %.4032 = icmp slt i64 %.4029, 0
  br i1 %.4032, label %B1078.else.endif.endif.if, label %B1078.else.endif.endif.endif, !prof !0

B1078.else.endif.endif.if:                        ; preds = %B1078.else.endif.endif
  br label %B1078.else.endif.endif.endif

B1078.else.endif.endif.endif:                     ; preds = %B1078.else.endif.endif.if, %B1078.else.endif.endif
  %.4000.sroa.13.1 = phi i64 [ 0, %B1078.else.endif.endif.if ], [ %.4029, %B1078.else.endif.endif ]
  %.4037.not = icmp slt i64 %.4029, %.1921
  br i1 %.4037.not, label %B1078.endif, label %B1078.else.endif.endif.endif.if, !prof !2

B1078.else.endif.endif.endif.if:                  ; preds = %B1078.else.endif.endif.endif
  br label %B1078.endif

B1214.if:                                         ; preds = %B1078.endif, %B1214.if
  %most.4.22321 = phi i64 [ %.11.i2293, %B1214.if ], [ 0, %B1078.endif ]
  %.4181.02319 = phi i64 [ %.4250, %B1214.if ], [ 0, %B1078.endif ]
  %.4250 = add nuw nsw i64 %.4181.02319, 1
  %19 = getelementptr i64, ptr %.4113, i64 %.4181.02319
  %.4304 = load i64, ptr %19, align 8
  %.4306 = and i64 %.4304, 9223372036854775807
  %.11.i2293 = tail call i64 @llvm.smax.i64(i64 %.4306, i64 %most.4.22321)
  %exitcond2401.not = icmp eq i64 %.4088, %.4250
  br i1 %exitcond2401.not, label %B1270, label %B1214.if

B1410.if:                                         ; preds = %B1410.if.preheader, %B2952
  %wanted.2.12373 = phi double [ %wanted.3.2, %B2952 ], [ %.4499, %B1410.if.preheader ]
  %found.3.12372 = phi i64 [ %found.4.2, %B2952 ], [ %found.2.02386, %B1410.if.preheader ]
  %floor.5.12371 = phi double [ %floor.6.2, %B2952 ], [ %floor.3.1.lcssa, %B1410.if.preheader ]
  %peak.3.12370 = phi double [ %peak.5.2, %B2952 ], [ %peak.4.02384, %B1410.if.preheader ]
  %.4531.02368 = phi i64 [ %.4601, %B2952 ], [ 0, %B1410.if.preheader ]
  %.4601 = add nuw nsw i64 %.4531.02368, 1
  %20 = getelementptr double, ptr %.2145, i64 %.4531.02368
  %.4659 = load double, ptr %20, align 8
  %21 = getelementptr i8, ptr %20, i64 8
  %.4691 = load double, ptr %21, align 8
  %.10.i2294 = fcmp ogt double %.4691, %.4659
  %.11.i2295 = select i1 %.10.i2294, double %.4691, double %.4659
  %.4724 = fcmp oeq double %.11.i2295, 0.000000e+00
  %.4730 = fmul double %.4728, %.11.i2295
  %.4732 = fcmp olt double %.4730, %wanted.2.12373
  %or.cond2393 = select i1 %.4724, i1 true, i1 %.4732
  br i1 %or.cond2393, label %B2952, label %B1514

B1514.endif.else.if:                              ; preds = %B1514
  br label %B1514.endif.else.endif

B1514.endif.else.endif:                           ; preds = %B1514.endif.else.if, %B1514
  %.4833.sroa.0.1 = phi i64 [ 0, %B1514.endif.else.if ], [ %.4845, %B1514 ]
  %.4853.not = icmp slt i64 %.4845, %.1725
  br i1 %.4853.not, label %B1514.endif.else.endif.endif.endif.if, label %B1514.endif.else.endif.if, !prof !2

B1514.endif.else.endif.if:                        ; preds = %B1514.endif.else.endif
  br label %B1514.endif.else.endif.endif.endif.if

B1514.endif.else.endif.endif.endif.if:            ; preds = %B1514.endif.else.endif.if, %B1514.endif.else.endif
  %.4833.sroa.0.3 = phi i64 [ %.1725, %B1514.endif.else.endif.if ], [ %.4833.sroa.0.1, %B1514.endif.else.endif ]
  %.4946 = getelementptr double, ptr %.1749, i64 %.4833.sroa.0.3
  %.4976 = add nsw i64 %.4765, 1
  %.5013 = icmp slt i64 %.4765, -1
  %.5014 = select i1 %.5013, i64 %.1725, i64 0
  %.5015 = add i64 %.4976, %.5014
  %.5018 = icmp slt i64 %.5015, 0
  br i1 %.5018, label %B1514.endif.endif.else.if, label %B1514.endif.endif.else.endif, !prof !0

B1514.endif.endif.else.if:                        ; preds = %B1514.endif.else.endif.endif.endif.if
  br label %B1514.endif.endif.else.endif

B1514.endif.endif.else.endif:                     ; preds = %B1514.endif.endif.else.if, %B1514.endif.else.endif.endif.endif.if
  %.5003.sroa.0.1 = phi i64 [ 0, %B1514.endif.endif.else.if ], [ %.5015, %B1514.endif.else.endif.endif.endif.if ]
  %.5023.not = icmp slt i64 %.5015, %.1725
  br i1 %.5023.not, label %B1514.endif.endif.else.endif.endif.endif.if, label %B1514.endif.endif.else.endif.if, !prof !2

B1514.endif.endif.else.endif.if:                  ; preds = %B1514.endif.endif.else.endif
  br label %B1514.endif.endif.else.endif.endif.endif.if

B1514.endif.endif.else.endif.endif.endif.if:      ; preds = %B1514.endif.endif.else.endif.if, %B1514.endif.endif.else.endif
  %.5003.sroa.0.3 = phi i64 [ %.1725, %B1514.endif.endif.else.endif.if ], [ %.5003.sroa.0.1, %B1514.endif.endif.else.endif ]
  %.5116 = getelementptr double, ptr %.1749, i64 %.5003.sroa.0.3
  %.5146 = add nsw i64 %.4765, 2
  %.5183 = icmp slt i64 %.4765, -2
  %.5184 = select i1 %.5183, i64 %.1725, i64 0
  %.5185 = add i64 %.5146, %.5184
  %.5188 = icmp slt i64 %.5185, 0
  br i1 %.5188, label %B1514.endif.endif.endif.else.if, label %B1514.endif.endif.endif.else.endif, !prof !0

B1514.endif.endif.endif.else.if:                  ; preds = %B1514.endif.endif.else.endif.endif.endif.if
  br label %B1514.endif.endif.endif.else.endif

B1514.endif.endif.endif.else.endif:               ; preds = %B1514.endif.endif.endif.else.if, %B1514.endif.endif.else.endif.endif.endif.if
  %.5173.sroa.0.1 = phi i64 [ 0, %B1514.endif.endif.endif.else.if ], [ %.5185, %B1514.endif.endif.else.endif.endif.endif.if ]
  %.5193.not = icmp slt i64 %.5185, %.1725
  br i1 %.5193.not, label %B1514.endif.endif.endif.else.endif.endif.endif.if, label %B1514.endif.endif.endif.else.endif.if, !prof !2

B1514.endif.endif.endif.else.endif.if:            ; preds = %B1514.endif.endif.endif.else.endif
  br label %B1514.endif.endif.endif.else.endif.endif.endif.if

B1514.endif.endif.endif.else.endif.endif.endif.if: ; preds = %B1514.endif.endif.endif.else.endif.if, %B1514.endif.endif.endif.else.endif
  %.5173.sroa.0.3 = phi i64 [ %.1725, %B1514.endif.endif.endif.else.endif.if ], [ %.5173.sroa.0.1, %B1514.endif.endif.endif.else.endif ]
  %.5286 = getelementptr double, ptr %.1749, i64 %.5173.sroa.0.3
  br i1 %.54062328.not, label %B1816.preheader, label %B1670.if

B1670.if:                                         ; preds = %B1514.endif.endif.endif.else.endif.endif.endif.if, %B1670.if
  %.5350.02329 = phi i64 [ %.5419, %B1670.if ], [ 0, %B1514.endif.endif.endif.else.endif.endif.endif.if ]
  %.5419 = add nuw nsw i64 %.5350.02329, 1
  %22 = getelementptr double, ptr %.4946, i64 %.5350.02329
  %.5473 = load double, ptr %22, align 8
  %23 = getelementptr double, ptr %.5286, i64 %.5350.02329
  %.5503 = load double, ptr %23, align 8
  %.5504 = fadd double %.5473, %.5503
  %24 = getelementptr double, ptr %.5116, i64 %.5350.02329
  %.5534 = load double, ptr %24, align 8
  %.5535 = fmul double %.5534, 2.000000e+00
  %.5536 = fsub double %.5504, %.5535
  %25 = getelementptr double, ptr %.1069, i64 %.5350.02329
  store double %.5536, ptr %25, align 8
  %exitcond2402.not = icmp eq i64 %.5326, %.5419
  br i1 %exitcond2402.not, label %B1816.preheader, label %B1670.if

B1816.if:                                         ; preds = %B1816.preheader, %B1816.if
  %most.5.32334 = phi i64 [ %.11.i2296, %B1816.if ], [ 0, %B1816.preheader ]
  %.5607.02332 = phi i64 [ %.5676, %B1816.if ], [ 0, %B1816.preheader ]
  %.5676 = add nuw nsw i64 %.5607.02332, 1
  %26 = getelementptr i64, ptr %.1262, i64 %.5607.02332
  %.5730 = load i64, ptr %26, align 8
  %.5732 = and i64 %.5730, 9223372036854775807
  %.11.i2296 = tail call i64 @llvm.smax.i64(i64 %.5732, i64 %most.5.32334)
  %exitcond2403.not = icmp eq i64 %.5326, %.5676
  br i1 %exitcond2403.not, label %B1872, label %B1816.if

B1990.if:                                         ; preds = %B1872, %B2951
  %wanted.4.32362 = phi double [ %wanted.5.4, %B2951 ], [ %wanted.2.12373, %B1872 ]
  %found.5.32361 = phi i64 [ %found.6.4, %B2951 ], [ %found.3.12372, %B1872 ]
  %floor.7.32360 = phi double [ %floor.8.4, %B2951 ], [ %floor.5.12371, %B1872 ]
  %peak.2.32359 = phi double [ %peak.6.4, %B2951 ], [ %peak.3.12370, %B1872 ]
  %.5940.02358 = phi i64 [ %.6003, %B2951 ], [ %.5950, %B1872 ]
  %.5937.02357 = phi i64 [ %.6007, %B2951 ], [ %.4765, %B1872 ]
  %.6003 = add nsw i64 %.5940.02358, -1
  %.6007 = add i64 %.5937.02357, 1
  %.6037 = add nsw i64 %.5937.02357, %.164
  %.6051 = icmp slt i64 %.6037, 0
  %.6052 = select i1 %.6051, i64 %.1725, i64 0
  %27 = getelementptr double, ptr %.1749, i64 %.6037
  %.6066 = getelementptr double, ptr %27, i64 %.6052
  %.6067 = load double, ptr %.6066, align 8
  %.6068 = tail call double @llvm.fabs.f64(double %.6067)
  %.6072 = add i64 %.5937.02357, %.131.0
  %.6086 = icmp slt i64 %.6072, 0
  %.6087 = select i1 %.6086, i64 %.1725, i64 0
  %28 = getelementptr double, ptr %.1749, i64 %.6072
  %.6101 = getelementptr double, ptr %28, i64 %.6087
  %.6102 = load double, ptr %.6101, align 8
  %.6103 = tail call double @llvm.fabs.f64(double %.6102)
  %.10.i2297 = fcmp ogt double %.6103, %.6068
  %.11.i2298 = select i1 %.10.i2297, double %.6103, double %.6068
  %.6133 = fmul double %.233, %.11.i2298
  %.6139 = fadd double %.5843, %.6133
  %.6141 = fcmp olt double %.6139, %wanted.4.32362
  br i1 %.6141, label %B2951, label %B2146

B2194.if:                                         ; preds = %B2146, %B2194.if
  %s0.2.52340 = phi double [ %.6433, %B2194.if ], [ %.5842, %B2146 ]
  %s1.2.52339 = phi double [ %.6572, %B2194.if ], [ 0.000000e+00, %B2146 ]
  %.6208.02338 = phi i64 [ %.6270, %B2194.if ], [ %spec.select2394, %B2146 ]
  %.6205.02337 = phi i64 [ %.6274, %B2194.if ], [ 0, %B2146 ]
  %.6270 = add nsw i64 %.6208.02338, -1
  %.6274 = add nuw i64 %.6205.02337, 2
  %.6312 = icmp slt i64 %.6205.02337, 0
  %.6313 = select i1 %.6312, i64 %.356, i64 0
  %29 = getelementptr double, ptr %.372, i64 %.6205.02337
  %.6327 = getelementptr double, ptr %29, i64 %.6313
  %.6328 = load double, ptr %.6327, align 8
  %.6330 = add nsw i64 %.6205.02337, %.5937.02357
  %.6344 = icmp slt i64 %.6330, 0
  %.6345 = select i1 %.6344, i64 %.1725, i64 0
  %30 = getelementptr double, ptr %.1749, i64 %.6330
  %.6359 = getelementptr double, ptr %30, i64 %.6345
  %.6360 = load double, ptr %.6359, align 8
  %.6377 = icmp slt i64 %.6330, -2
  %.6378 = select i1 %.6377, i64 %.1725, i64 0
  %31 = getelementptr i8, ptr %30, i64 16
  %.6392 = getelementptr double, ptr %31, i64 %.6378
  %.6393 = load double, ptr %.6392, align 8
  %.6394 = fadd double %.6360, %.6393
  %.6411 = icmp slt i64 %.6330, -1
  %.6412 = select i1 %.6411, i64 %.1725, i64 0
  %32 = getelementptr i8, ptr %30, i64 8
  %.6426 = getelementptr double, ptr %32, i64 %.6412
  %.6427 = load double, ptr %.6426, align 8
  %.6428 = fmul double %.6427, 2.000000e+00
  %.6429 = fsub double %.6394, %.6428
  %.6430 = tail call double @llvm.fabs.f64(double %.6429)
  %.6431 = fmul double %.6328, %.6430
  %.6433 = fadd double %s0.2.52340, %.6431
  %.6450 = icmp slt i64 %.6205.02337, -1
  %.6451 = select i1 %.6450, i64 %.356, i64 0
  %33 = getelementptr i8, ptr %29, i64 8
  %.6465 = getelementptr double, ptr %33, i64 %.6451
  %.6466 = load double, ptr %.6465, align 8
  %.6516 = icmp slt i64 %.6330, -3
  %.6517 = select i1 %.6516, i64 %.1725, i64 0
  %34 = getelementptr i8, ptr %30, i64 24
  %.6531 = getelementptr double, ptr %34, i64 %.6517
  %.6532 = load double, ptr %.6531, align 8
  %.6533 = fadd double %.6427, %.6532
  %.6567 = fmul double %.6393, 2.000000e+00
  %.6568 = fsub double %.6533, %.6567
  %.6569 = tail call double @llvm.fabs.f64(double %.6568)
  %.6570 = fmul double %.6466, %.6569
  %.6572 = fadd double %s1.2.52339, %.6570
  %.6261 = icmp sgt i64 %.6208.02338, 1
  br i1 %.6261, label %B2194.if, label %B2488

B2516.else.endif:                                 ; preds = %B2488
  br i1 %.850, label %B2516.endif.else.endif.if, label %B2516.endif.else.endif.endif.endif.if, !prof !0

B2516.endif.else.endif.if:                        ; preds = %B2516.else.endif
  br label %B2516.endif.else.endif.endif.endif.if

B2516.endif.else.endif.endif.endif.if:            ; preds = %B2516.endif.else.endif.if, %B2516.else.endif
  %.6779.sroa.0.3 = phi i64 [ %.852, %B2516.endif.else.endif.if ], [ 0, %B2516.else.endif ]
  %.6900.not2343 = icmp slt i64 %.6779.sroa.0.3, %.852
  br i1 %.6900.not2343, label %.6870.endif.preheader, label %.6870.if, !prof !4

.6870.endif.preheader:                            ; preds = %B2516.endif.else.endif.endif.endif.if
  %35 = shl i64 %.6779.sroa.0.3, 3
  %scevgep2404 = getelementptr i8, ptr %scevgep, i64 %35
  %36 = sub i64 %.852, %.6779.sroa.0.3
  %37 = shl i64 %36, 3
  tail call void @llvm.memset.p0.i64(ptr align 8 %scevgep2404, i8 0, i64 %37, i1 false)
  br label %.6870.if

.6870.if:                                         ; preds = %.6870.endif.preheader, %B2516.endif.else.endif.endif.endif.if
  br i1 %.69972348.not, label %B2678, label %B2560.if

B2560.if:                                         ; preds = %.6870.if, %B2560.loopexit
  %.6941.02349 = phi i64 [ %.7010, %B2560.loopexit ], [ 0, %.6870.if ]
  %.7010 = add nuw nsw i64 %.6941.02349, 1
  %.7040 = add nsw i64 %.6941.02349, %.5937.02357
  %.7054 = icmp slt i64 %.7040, 0
  %.7055 = select i1 %.7054, i64 %.1725, i64 0
  %38 = getelementptr double, ptr %.1749, i64 %.7040
  %.7069 = getelementptr double, ptr %38, i64 %.7055
  %.7070 = load double, ptr %.7069, align 8
  br i1 %.71542345.not, label %B2560.loopexit, label %B2616.if.lr.ph

B2616.if.lr.ph:                                   ; preds = %B2560.if
  %.7267 = mul i64 %.6941.02349, %arg.taps.5.1
  %39 = getelementptr double, ptr %arg.taps.4, i64 %.7267
  br label %B2616.if

B2616.if:                                         ; preds = %B2616.if.lr.ph, %B2616.if
  %.7098.02346 = phi i64 [ 0, %B2616.if.lr.ph ], [ %.7167, %B2616.if ]
  %.7167 = add nuw nsw i64 %.7098.02346, 1
  %40 = getelementptr double, ptr %.876, i64 %.7098.02346
  %.7221 = load double, ptr %40, align 8
  %41 = getelementptr double, ptr %39, i64 %.7098.02346
  %.7272 = load double, ptr %41, align 8
  %.7274 = fmul double %.7070, %.7272
  %.7275 = fadd double %.7221, %.7274
  store double %.7275, ptr %40, align 8
  %exitcond2405.not = icmp eq i64 %arg.taps.5.1, %.7167
  br i1 %exitcond2405.not, label %B2560.loopexit, label %B2616.if

B2712.if:                                         ; preds = %B2678, %B2712.if
  %best.2.52354 = phi double [ %.7471.best.2.5, %B2712.if ], [ 0.000000e+00, %B2678 ]
  %.7347.02352 = phi i64 [ %.7416, %B2712.if ], [ 0, %B2678 ]
  %.7416 = add nuw nsw i64 %.7347.02352, 1
  %42 = getelementptr double, ptr %.876, i64 %.7347.02352
  %.7470 = load double, ptr %42, align 8
  %.7471 = tail call double @llvm.fabs.f64(double %.7470)
  %.7477 = fcmp ogt double %.7471, %best.2.52354
  %.7471.best.2.5 = select i1 %.7477, double %.7471, double %best.2.52354
  %exitcond2407.not = icmp eq i64 %arg.taps.5.1, %.7416
  br i1 %exitcond2407.not, label %B2780, label %B2712.if

B2912.if:                                         ; preds = %B2912.preheader, %B2912.if
  %.7681.02378 = phi i64 [ %.7750, %B2912.if ], [ 0, %B2912.preheader ]
  %.7750 = add nuw nsw i64 %.7681.02378, 1
  %.7776 = add nsw i64 %.7681.02378, %.11.i
  %.7790 = icmp slt i64 %.7776, 0
  %.7791 = select i1 %.7790, i64 %.1725, i64 0
  %43 = getelementptr double, ptr %.1749, i64 %.7776
  %.7805 = getelementptr double, ptr %43, i64 %.7791
  %.7806 = load double, ptr %.7805, align 8
  %44 = getelementptr double, ptr %arg.past.4, i64 %.7681.02378
  store double %.7806, ptr %44, align 8
  %exitcond2409.not = icmp eq i64 %arg.past.5.0, %.7750
  br i1 %exitcond2409.not, label %B422.loopexit, label %B2912.if
}

; Function Attrs: mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare double @llvm.fabs.f64(double) #1

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smax.i64(i64, i64) #2

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smin.i64(i64, i64) #2

; Function Attrs: nocallback nofree nounwind willreturn memory(argmem: write)
declare void @llvm.memset.p0.i64(ptr writeonly, i8, i64, i1 immarg) #3

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none) }
attributes #2 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }
attributes #3 = { nocallback nofree nounwind willreturn memory(argmem: write) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{!"branch_weights", i32 9801, i32 199}
!2 = !{!"branch_weights", i32 99, i32 1}
!3 = !{i1 true}
!4 = !{!"branch_weights", i32 127, i32 1}
!5 = !{!"branch_weights", i32 127, i32 12545}
