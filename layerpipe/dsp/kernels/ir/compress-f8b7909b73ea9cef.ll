@.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727 = internal constant [76 x i8] c"\80\04\95A\00\00\00\00\00\00\00\8C\08builtins\94\8C\0AValueError\94\93\94\8C\1Erange() arg 3 must not be zero\94\85\94N\87\94."
@.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727.sha1 = internal constant [20 x i8] c"\CA\8E\FB:r\D6\14\FE\87 2\CC\E3\AC2`\07\A3\07'"
@.const.picklebuf.ca8efb3a72d614fe872032cce3ac326007a30727 = internal constant { ptr, i32, ptr, ptr, i32 } { ptr @.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727, i32 76, ptr @.const.pickledata.ca8efb3a72d614fe872032cce3ac326007a30727.sha1, ptr null, i32 0 }

; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define range(i32 0, 2) i32 @layerpipe_compress_f8b7909b73ea9cef(ptr noalias writeonly %retptr, ptr noalias writeonly %excinfo, ptr readnone %arg.samples.0, ptr readnone %arg.samples.1, i64 %arg.samples.2, i64 %arg.samples.3, ptr readonly %arg.samples.4, i64 %arg.samples.5.0, i64 %arg.samples.6.0, ptr readnone %arg.patterns.0, ptr readnone %arg.patterns.1, i64 %arg.patterns.2, i64 %arg.patterns.3, ptr readonly %arg.patterns.4, i64 %arg.patterns.5.0, i64 %arg.patterns.6.0, double %arg.knee_start, double %arg.threshold_db, double %arg.slope, double %arg.knee_db, double %arg.attack, double %arg.release, double %arg.makeup_db, ptr readnone %arg.state.0, ptr readnone %arg.state.1, i64 %arg.state.2, i64 %arg.state.3, ptr %arg.state.4, i64 %arg.state.5.0, i64 %arg.state.6.0, ptr readnone %arg.room.0, ptr readnone %arg.room.1, i64 %arg.room.2, i64 %arg.room.3, ptr %arg.room.4, i64 %arg.room.5.0, i64 %arg.room.5.1, i64 %arg.room.6.0, i64 %arg.room.6.1, ptr readnone %arg.room_patterns.0, ptr readnone %arg.room_patterns.1, i64 %arg.room_patterns.2, i64 %arg.room_patterns.3, ptr writeonly %arg.room_patterns.4, i64 %arg.room_patterns.5.0, i64 %arg.room_patterns.5.1, i64 %arg.room_patterns.6.0, i64 %arg.room_patterns.6.1, ptr readnone %arg.smooth.0, ptr readnone %arg.smooth.1, i64 %arg.smooth.2, i64 %arg.smooth.3, ptr %arg.smooth.4, i64 %arg.smooth.5.0, i64 %arg.smooth.6.0, ptr readnone %arg.out.0, ptr readnone %arg.out.1, i64 %arg.out.2, i64 %arg.out.3, ptr writeonly %arg.out.4, i64 %arg.out.5.0, i64 %arg.out.6.0) local_unnamed_addr #0 {
entry:
  %.139 = load double, ptr %arg.state.4, align 8
  %.168 = getelementptr i8, ptr %arg.state.4, i64 8
  %.169 = load double, ptr %.168, align 8
  %.236 = icmp sgt i64 %arg.samples.5.0, 0
  %.239 = icmp eq i64 %arg.room.5.1, 0
  br i1 %.239, label %B0.if, label %B0.endif, !prof !0

B122:                                             ; preds = %B122.lr.ph, %B1979
  %.271.sroa.0.01162 = phi i64 [ 0, %B122.lr.ph ], [ %.271.sroa.0.0, %B1979 ]
  %.225.11161 = phi i64 [ %.225.11156, %B122.lr.ph ], [ %.225.1, %B1979 ]
  %.222.11160 = phi i64 [ %arg.room.5.1, %B122.lr.ph ], [ %.222.1, %B1979 ]
  %held.3.01158 = phi double [ %.139, %B122.lr.ph ], [ %held.2.1.lcssa, %B1979 ]
  %late.3.01157 = phi double [ %.169, %B122.lr.ph ], [ %late.2.1.lcssa, %B1979 ]
  %.336 = add nsw i64 %.271.sroa.0.01162, %arg.room.5.1
  %.374 = icmp slt i64 %.271.sroa.0.01162, 0
  %.375 = select i1 %.374, i64 %arg.samples.5.0, i64 0
  %.376 = add i64 %.375, %.271.sroa.0.01162
  %.379 = icmp slt i64 %.376, 0
  br i1 %.379, label %B122.else.if, label %B122.else.endif, !prof !0

B500.preheader:                                   ; preds = %B404.if, %B122.endif.endif.else.endif.endif.endif
  %.15241136.not = icmp slt i64 %.452, 1
  br i1 %.15241136.not, label %B1140.preheader, label %B502.if

B1140.preheader:                                  ; preds = %B502.if, %B500.preheader
  %.20581139.not = icmp slt i64 %.452, 1
  br i1 %.20581139.not, label %B1248, label %B1140.if

B1248:                                            ; preds = %B1140.if, %B1140.preheader
  %late.2.1.lcssa = phi double [ %late.3.01157, %B1140.preheader ], [ %.2178, %B1140.if ]
  %held.2.1.lcssa = phi double [ %held.3.01158, %B1140.preheader ], [ %.2129..2142, %B1140.if ]
  br i1 %.2229, label %B1979, label %B1290.else

B1694.preheader:                                  ; preds = %B1394.if, %B1290.else.endif.endif.endif
  %.28081150.not = icmp slt i64 %.452, 1
  br i1 %.28081150.not, label %B1979, label %B1694.if

common.ret:                                       ; preds = %B0.if, %B1978
  %common.ret.op = phi i32 [ 0, %B1978 ], [ 1, %B0.if ]
  ret i32 %common.ret.op

B1978:                                            ; preds = %B1979, %B0.endif.endif
  %late.3.0.lcssa = phi double [ %.169, %B0.endif.endif ], [ %late.2.1.lcssa, %B1979 ]
  %held.3.0.lcssa = phi double [ %.139, %B0.endif.endif ], [ %held.2.1.lcssa, %B1979 ]
  store double %held.3.0.lcssa, ptr %arg.state.4, align 8
  store double %late.3.0.lcssa, ptr %.168, align 8
  store ptr null, ptr %retptr, align 8
  br label %common.ret

B1979:                                            ; preds = %B1694.if, %B1694.preheader, %B1248
  %.281 = icmp sgt i64 %.225.11161, 0
  %.294 = select i1 %.281, i64 %arg.room.5.1, i64 0
  %.222.1 = add i64 %.294, %.222.11160
  %.290 = sext i1 %.281 to i64
  %.225.1 = add nsw i64 %.225.11161, %.290
  %.271.sroa.0.0 = select i1 %.281, i64 %.222.11160, i64 0
  br i1 %.281, label %B122, label %B1978

B0.if:                                            ; preds = %entry
  store ptr @.const.picklebuf.ca8efb3a72d614fe872032cce3ac326007a30727, ptr %excinfo, align 8, !numba_exception_output !1
  br label %common.ret

B0.endif:                                         ; preds = %entry
  %.237 = icmp sgt i64 %arg.room.5.1, 0
  %.238 = xor i1 %.236, %.237
  br i1 %.238, label %B0.endif.endif, label %B0.endif.else

B0.endif.else:                                    ; preds = %B0.endif
  %.253 = srem i64 %arg.samples.5.0, %arg.room.5.1
  %.254 = sub nsw i64 0, %.253
  %.255 = select i1 %.236, i64 %.253, i64 %.254
  %.256 = icmp sgt i64 %.255, 0
  %.257 = sdiv i64 %arg.samples.5.0, %arg.room.5.1
  %.258 = zext i1 %.256 to i64
  %.259 = add i64 %.257, %.258
  br label %B0.endif.endif

B0.endif.endif:                                   ; preds = %B0.endif, %B0.endif.else
  %storemerge = phi i64 [ %.259, %B0.endif.else ], [ 0, %B0.endif ]
  %.2811153 = icmp sgt i64 %storemerge, 0
  br i1 %.2811153, label %B122.lr.ph, label %B1978

B122.lr.ph:                                       ; preds = %B0.endif.endif
  %.225.11156 = add nsw i64 %storemerge, -1
  %.990 = getelementptr double, ptr %arg.room.4, i64 %arg.room.5.1
  %.1058 = getelementptr i64, ptr %arg.room_patterns.4, i64 %arg.room_patterns.5.1
  %.1135.idx = shl i64 %arg.room.5.1, 4
  %.1135 = getelementptr i8, ptr %arg.room.4, i64 %.1135.idx
  %.1203.idx = shl i64 %arg.room_patterns.5.1, 4
  %.1203 = getelementptr i8, ptr %arg.room_patterns.4, i64 %.1203.idx
  %.1781 = fmul double %arg.knee_db, 5.000000e-01
  %.1827 = fcmp ogt double %arg.knee_db, 0.000000e+00
  %.1833 = fmul double %arg.knee_db, 2.000000e+00
  %.2139 = fsub double 1.000000e+00, %arg.release
  %.2176 = fsub double 1.000000e+00, %arg.attack
  %.2229 = icmp eq i64 %arg.out.5.0, 0
  br label %B122

B122.endif:                                       ; preds = %B122.else.endif.endif.endif, %B122.else.endif.endif.endif.if
  %.364.sroa.13.0 = phi i64 [ %arg.samples.5.0, %B122.else.endif.endif.endif.if ], [ %.364.sroa.13.1, %B122.else.endif.endif.endif ]
  %.452 = sub i64 %.364.sroa.13.0, %.364.sroa.0.3
  %.477 = getelementptr double, ptr %arg.samples.4, i64 %.364.sroa.0.3
  %.559 = select i1 %.374, i64 %arg.patterns.5.0, i64 0
  %.560 = add i64 %.559, %.271.sroa.0.01162
  %.563 = icmp slt i64 %.560, 0
  br i1 %.563, label %B122.endif.else.if, label %B122.endif.else.endif, !prof !0

B122.else.if:                                     ; preds = %B122
  br label %B122.else.endif

B122.else.endif:                                  ; preds = %B122.else.if, %B122
  %.364.sroa.0.1 = phi i64 [ 0, %B122.else.if ], [ %.376, %B122 ]
  %.384.not = icmp slt i64 %.376, %arg.samples.5.0
  br i1 %.384.not, label %B122.else.endif.endif, label %B122.else.endif.if, !prof !2

B122.else.endif.if:                               ; preds = %B122.else.endif
  br label %B122.else.endif.endif

B122.else.endif.endif:                            ; preds = %B122.else.endif.if, %B122.else.endif
  %.364.sroa.0.3 = phi i64 [ %arg.samples.5.0, %B122.else.endif.if ], [ %.364.sroa.0.1, %B122.else.endif ]
  %.391 = icmp slt i64 %.336, 0
  %.392 = select i1 %.391, i64 %arg.samples.5.0, i64 0
  %.393 = add i64 %.392, %.336
  %.396 = icmp slt i64 %.393, 0
  br i1 %.396, label %B122.else.endif.endif.if, label %B122.else.endif.endif.endif, !prof !0

B122.else.endif.endif.if:                         ; preds = %B122.else.endif.endif
  br label %B122.else.endif.endif.endif

B122.else.endif.endif.endif:                      ; preds = %B122.else.endif.endif.if, %B122.else.endif.endif
  %.364.sroa.13.1 = phi i64 [ 0, %B122.else.endif.endif.if ], [ %.393, %B122.else.endif.endif ]
  %.401.not = icmp slt i64 %.393, %arg.samples.5.0
  br i1 %.401.not, label %B122.endif, label %B122.else.endif.endif.endif.if, !prof !2

B122.else.endif.endif.endif.if:                   ; preds = %B122.else.endif.endif.endif
  br label %B122.endif

B122.endif.else.if:                               ; preds = %B122.endif
  br label %B122.endif.else.endif

B122.endif.else.endif:                            ; preds = %B122.endif.else.if, %B122.endif
  %.548.sroa.0.1 = phi i64 [ 0, %B122.endif.else.if ], [ %.560, %B122.endif ]
  %.568.not = icmp slt i64 %.560, %arg.patterns.5.0
  br i1 %.568.not, label %B122.endif.else.endif.endif.endif, label %B122.endif.else.endif.if, !prof !2

B122.endif.else.endif.if:                         ; preds = %B122.endif.else.endif
  br label %B122.endif.else.endif.endif.endif

B122.endif.else.endif.endif.endif:                ; preds = %B122.endif.else.endif, %B122.endif.else.endif.if
  %.548.sroa.0.3 = phi i64 [ %arg.patterns.5.0, %B122.endif.else.endif.if ], [ %.548.sroa.0.1, %B122.endif.else.endif ]
  %.661 = getelementptr i64, ptr %arg.patterns.4, i64 %.548.sroa.0.3
  %.749 = select i1 %.374, i64 %arg.smooth.5.0, i64 0
  %.750 = add i64 %.749, %.271.sroa.0.01162
  %.753 = icmp slt i64 %.750, 0
  br i1 %.753, label %B122.endif.endif.else.if, label %B122.endif.endif.else.endif, !prof !0

B122.endif.endif.else.if:                         ; preds = %B122.endif.else.endif.endif.endif
  br label %B122.endif.endif.else.endif

B122.endif.endif.else.endif:                      ; preds = %B122.endif.endif.else.if, %B122.endif.else.endif.endif.endif
  %.738.sroa.0.1 = phi i64 [ 0, %B122.endif.endif.else.if ], [ %.750, %B122.endif.else.endif.endif.endif ]
  %.758.not = icmp slt i64 %.750, %arg.smooth.5.0
  br i1 %.758.not, label %B122.endif.endif.else.endif.endif.endif, label %B122.endif.endif.else.endif.if, !prof !2

B122.endif.endif.else.endif.if:                   ; preds = %B122.endif.endif.else.endif
  br label %B122.endif.endif.else.endif.endif.endif

B122.endif.endif.else.endif.endif.endif:          ; preds = %B122.endif.endif.else.endif, %B122.endif.endif.else.endif.if
  %.738.sroa.0.3 = phi i64 [ %arg.smooth.5.0, %B122.endif.endif.else.endif.if ], [ %.738.sroa.0.1, %B122.endif.endif.else.endif ]
  %.851 = getelementptr double, ptr %arg.smooth.4, i64 %.738.sroa.0.3
  %.13271133.not = icmp slt i64 %.452, 1
  br i1 %.13271133.not, label %B500.preheader, label %B404.if

B404.if:                                          ; preds = %B122.endif.endif.else.endif.endif.endif, %B404.if
  %.1271.01134 = phi i64 [ %.1340, %B404.if ], [ 0, %B122.endif.endif.else.endif.endif.endif ]
  %.1340 = add nuw nsw i64 %.1271.01134, 1
  %0 = getelementptr i64, ptr %.661, i64 %.1271.01134
  %.1394 = load i64, ptr %0, align 8
  %.1395 = and i64 %.1394, 4503599627370495
  %.1396 = or disjoint i64 %.1395, 4607182418800017408
  %1 = getelementptr i64, ptr %.1058, i64 %.1271.01134
  store i64 %.1396, ptr %1, align 8
  %exitcond.not = icmp eq i64 %.452, %.1340
  br i1 %exitcond.not, label %B500.preheader, label %B404.if

B502.if:                                          ; preds = %B500.preheader, %B502.if
  %.1467.01137 = phi i64 [ %.1537, %B502.if ], [ 0, %B500.preheader ]
  %.1537 = add nuw nsw i64 %.1467.01137, 1
  %.1594 = getelementptr double, ptr %.990, i64 %.1467.01137
  %.1595 = load double, ptr %.1594, align 8
  %.1596 = fcmp ogt double %.1595, 0x3FF6A09E667F3BCD
  %.1633 = fmul double %.1595, 5.000000e-01
  %"$phi570.2.2.2" = select i1 %.1596, double %.1633, double %.1595
  %2 = getelementptr i64, ptr %.661, i64 %.1467.01137
  %.1708 = load i64, ptr %2, align 8
  %.1709 = lshr i64 %.1708, 52
  %.1710 = and i64 %.1709, 2047
  %.1711 = select i1 %.1596, i64 -1022, i64 -1023
  %.1731 = add nsw i64 %.1711, %.1710
  %.1736 = sitofp i64 %.1731 to double
  %.1740 = fadd double %"$phi570.2.2.2", -1.000000e+00
  %.1742 = fadd double %"$phi570.2.2.2", 1.000000e+00
  %.1748 = fdiv double %.1740, %.1742
  %.1749 = fmul double %.1748, %.1748
  %.1750 = fmul double %.1749, 0x3FB8618618618618
  %.1751 = fadd double %.1750, 0x3FBAF286BCA1AF28
  %.1752 = fmul double %.1749, %.1751
  %.1753 = fadd double %.1752, 0x3FBE1E1E1E1E1E1E
  %.1754 = fmul double %.1749, %.1753
  %.1755 = fadd double %.1754, 0x3FC1111111111111
  %.1756 = fmul double %.1749, %.1755
  %.1757 = fadd double %.1756, 0x3FC3B13B13B13B14
  %.1758 = fmul double %.1749, %.1757
  %.1759 = fadd double %.1758, 0x3FC745D1745D1746
  %.1760 = fmul double %.1749, %.1759
  %.1761 = fadd double %.1760, 0x3FCC71C71C71C71C
  %.1762 = fmul double %.1749, %.1761
  %.1763 = fadd double %.1762, 0x3FD2492492492492
  %.1764 = fmul double %.1749, %.1763
  %.1765 = fadd double %.1764, 4.000000e-01
  %.1766 = fmul double %.1749, %.1765
  %.1767 = fadd double %.1766, 0x3FE5555555555555
  %.1768 = fmul double %.1736, 0x3FE62E42FEFA39EF
  %.1769 = fmul double %.1748, 2.000000e+00
  %.1770 = fmul double %.1748, %.1749
  %.1771 = fmul double %.1770, %.1767
  %.1772 = fadd double %.1769, %.1771
  %.1773 = fadd double %.1768, %.1772
  %.1774 = fmul double %.1773, 0x40215F2CED384F28
  %.1776 = fsub double %.1774, %arg.threshold_db
  %.1782 = fadd double %.1781, %.1776
  %.1787 = fcmp ogt double %.1782, 0.000000e+00
  %"$phi938.2.2.2" = select i1 %.1787, double %.1782, double 0.000000e+00
  %.1809 = fcmp olt double %"$phi938.2.2.2", %arg.knee_db
  %"$phi958.2.2.2" = select i1 %.1809, double %"$phi938.2.2.2", double %arg.knee_db
  %.1831 = fmul double %"$phi958.2.2.2", %"$phi958.2.2.2"
  %.1837 = fdiv double %.1831, %.1833
  %3 = select i1 %.1827, double %.1837, double -0.000000e+00
  %"$phi996.2.2.2" = fadd double %"$phi938.2.2.2", %3
  %4 = getelementptr double, ptr %.477, i64 %.1467.01137
  %.1881 = load double, ptr %4, align 8
  %.1882 = tail call double @llvm.fabs.f64(double %.1881)
  %.1884 = fcmp ogt double %.1882, %arg.knee_start
  %.1894 = fsub double %"$phi996.2.2.2", %"$phi958.2.2.2"
  %.1898 = fmul double %arg.slope, %.1894
  %"$phi1072.2.2.2" = select i1 %.1884, double %.1898, double 0.000000e+00
  %.1942 = getelementptr double, ptr %arg.room.4, i64 %.1467.01137
  store double %"$phi1072.2.2.2", ptr %.1942, align 8
  %exitcond1165.not = icmp eq i64 %.452, %.1537
  br i1 %exitcond1165.not, label %B1140.preheader, label %B502.if

B1140.if:                                         ; preds = %B1140.preheader, %B1140.if
  %held.2.11143 = phi double [ %.2129..2142, %B1140.if ], [ %held.3.01158, %B1140.preheader ]
  %late.2.11142 = phi double [ %.2178, %B1140.if ], [ %late.3.01157, %B1140.preheader ]
  %.2002.01140 = phi i64 [ %.2071, %B1140.if ], [ 0, %B1140.preheader ]
  %.2071 = add nuw nsw i64 %.2002.01140, 1
  %5 = getelementptr double, ptr %arg.room.4, i64 %.2002.01140
  %.2129 = load double, ptr %5, align 8
  %.2135 = fmul double %arg.release, %held.2.11143
  %.2141 = fmul double %.2139, %.2129
  %.2142 = fadd double %.2135, %.2141
  %.2148 = fcmp ogt double %.2129, %.2142
  %.2129..2142 = select i1 %.2148, double %.2129, double %.2142
  %.2174 = fmul double %arg.attack, %late.2.11142
  %.2177 = fmul double %.2176, %.2129..2142
  %.2178 = fadd double %.2174, %.2177
  %6 = getelementptr double, ptr %.851, i64 %.2002.01140
  store double %.2178, ptr %6, align 8
  %exitcond1166.not = icmp eq i64 %.452, %.2071
  br i1 %exitcond1166.not, label %B1248, label %B1140.if

B1290.else:                                       ; preds = %B1248
  %.2299 = select i1 %.374, i64 %arg.out.5.0, i64 0
  %.2300 = add i64 %.2299, %.271.sroa.0.01162
  %.2303 = icmp slt i64 %.2300, 0
  br i1 %.2303, label %B1290.else.if, label %B1290.else.endif, !prof !0

B1290.else.if:                                    ; preds = %B1290.else
  br label %B1290.else.endif

B1290.else.endif:                                 ; preds = %B1290.else.if, %B1290.else
  %.2288.sroa.0.1 = phi i64 [ 0, %B1290.else.if ], [ %.2300, %B1290.else ]
  %.2308.not = icmp slt i64 %.2300, %arg.out.5.0
  br i1 %.2308.not, label %B1290.else.endif.endif.endif, label %B1290.else.endif.if, !prof !2

B1290.else.endif.if:                              ; preds = %B1290.else.endif
  br label %B1290.else.endif.endif.endif

B1290.else.endif.endif.endif:                     ; preds = %B1290.else.endif, %B1290.else.endif.if
  %.2288.sroa.0.3 = phi i64 [ %arg.out.5.0, %B1290.else.endif.if ], [ %.2288.sroa.0.1, %B1290.else.endif ]
  %.2401 = getelementptr double, ptr %arg.out.4, i64 %.2288.sroa.0.3
  %.25221146.not = icmp slt i64 %.452, 1
  br i1 %.25221146.not, label %B1694.preheader, label %B1394.if

B1394.if:                                         ; preds = %B1290.else.endif.endif.endif, %B1394.if
  %.2466.01147 = phi i64 [ %.2535, %B1394.if ], [ 0, %B1290.else.endif.endif.endif ]
  %.2535 = add nuw nsw i64 %.2466.01147, 1
  %7 = getelementptr double, ptr %.851, i64 %.2466.01147
  %.2593 = load double, ptr %7, align 8
  %.2595 = fsub double %arg.makeup_db, %.2593
  %.2600 = fmul double %.2595, 0x3FBD791C5F888824
  %.2605 = fcmp ogt double %.2600, -7.000000e+02
  %.2600. = select i1 %.2605, double %.2600, double -7.000000e+02
  %.2626 = fmul double %.2600., 0x3FF71547652B82FE
  %.2634.le = tail call double @llvm.rint.f64(double %.2626)
  %.2639 = fptosi double %.2634.le to i64
  %.2640 = shl i64 %.2639, 52
  %.2641 = add i64 %.2640, 4607182418800017408
  %8 = getelementptr i64, ptr %.1203, i64 %.2466.01147
  store i64 %.2641, ptr %8, align 8
  %.2673 = fmul double %.2634.le, 0x3FE62E42FEFA0000
  %.2674 = fsub double %.2600., %.2673
  %.2675 = fmul double %.2634.le, 0x3D7CF79ABC9E3B3A
  %.2676 = fsub double %.2674, %.2675
  %9 = getelementptr double, ptr %arg.room.4, i64 %.2466.01147
  store double %.2676, ptr %9, align 8
  %exitcond1167.not = icmp eq i64 %.452, %.2535
  br i1 %exitcond1167.not, label %B1694.preheader, label %B1394.if

B1694.if:                                         ; preds = %B1694.preheader, %B1694.if
  %.2752.01151 = phi i64 [ %.2821, %B1694.if ], [ 0, %B1694.preheader ]
  %.2821 = add nuw nsw i64 %.2752.01151, 1
  %.2874 = getelementptr double, ptr %arg.room.4, i64 %.2752.01151
  %.2875 = load double, ptr %.2874, align 8
  %.2876 = fmul double %.2875, 0x3DE6124613A86D09
  %.2877 = fadd double %.2876, 0x3E21EED8EFF8D898
  %.2878 = fmul double %.2875, %.2877
  %.2879 = fadd double %.2878, 0x3E5AE64567F544E4
  %.2880 = fmul double %.2875, %.2879
  %.2881 = fadd double %.2880, 0x3E927E4FB7789F5C
  %.2882 = fmul double %.2875, %.2881
  %.2883 = fadd double %.2882, 0x3EC71DE3A556C734
  %.2884 = fmul double %.2875, %.2883
  %.2885 = fadd double %.2884, 0x3EFA01A01A01A01A
  %.2886 = fmul double %.2875, %.2885
  %.2887 = fadd double %.2886, 0x3F2A01A01A01A01A
  %.2888 = fmul double %.2875, %.2887
  %.2889 = fadd double %.2888, 0x3F56C16C16C16C17
  %.2890 = fmul double %.2875, %.2889
  %.2891 = fadd double %.2890, 0x3F81111111111111
  %.2892 = fmul double %.2875, %.2891
  %.2893 = fadd double %.2892, 0x3FA5555555555555
  %.2894 = fmul double %.2875, %.2893
  %.2895 = fadd double %.2894, 0x3FC5555555555555
  %.2896 = fmul double %.2875, %.2895
  %.2897 = fadd double %.2896, 5.000000e-01
  %.2898 = fmul double %.2875, %.2897
  %.2899 = fadd double %.2898, 1.000000e+00
  %.2900 = fmul double %.2875, %.2899
  %.2901 = fadd double %.2900, 1.000000e+00
  %.2930 = getelementptr double, ptr %.1135, i64 %.2752.01151
  %.2931 = load double, ptr %.2930, align 8
  %.2932 = fmul double %.2931, %.2901
  %10 = getelementptr double, ptr %.477, i64 %.2752.01151
  %.2962 = load double, ptr %10, align 8
  %.2963 = fmul double %.2962, %.2932
  %11 = getelementptr double, ptr %.2401, i64 %.2752.01151
  store double %.2963, ptr %11, align 8
  %exitcond1168.not = icmp eq i64 %.452, %.2821
  br i1 %exitcond1168.not, label %B1979, label %B1694.if
}

; Function Attrs: mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare double @llvm.fabs.f64(double) #1

; Function Attrs: mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare double @llvm.rint.f64(double) #1

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { mustprogress nocallback nofree nosync nounwind speculatable willreturn memory(none) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{i1 true}
!2 = !{!"branch_weights", i32 99, i32 1}
