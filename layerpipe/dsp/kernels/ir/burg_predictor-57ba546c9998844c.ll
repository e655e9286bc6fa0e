; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_burg_predictor_57ba546c9998844c(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.forward.0, ptr readnone %arg.forward.1, i64 %arg.forward.2, i64 %arg.forward.3, ptr %arg.forward.4, i64 %arg.forward.5.0, i64 %arg.forward.6.0, ptr readnone %arg.backward.0, ptr readnone %arg.backward.1, i64 %arg.backward.2, i64 %arg.backward.3, ptr %arg.backward.4, i64 %arg.backward.5.0, i64 %arg.backward.6.0, ptr readnone %arg.predictor.0, ptr readnone %arg.predictor.1, i64 %arg.predictor.2, i64 %arg.predictor.3, ptr initializes((0, 8)) %arg.predictor.4, i64 %arg.predictor.5.0, i64 %arg.predictor.6.0, ptr readnone %arg.room.0, ptr readnone %arg.room.1, i64 %arg.room.2, i64 %arg.room.3, ptr %arg.room.4, i64 %arg.room.5.0, i64 %arg.room.6.0) local_unnamed_addr #0 {
entry:
  %.246 = icmp slt i64 %arg.predictor.5.0, 1
  br i1 %.246, label %B0.endif.else.endif.if, label %B0.endif.else.endif.endif.endif.if, !prof !0

B102.loopexit:                                    ; preds = %B1246.if, %B1206
  %exitcond1014.not = icmp eq i64 %.485, %arg.predictor.5.0
  br i1 %exitcond1014.not, label %common.ret, label %B104.if

B824.loopexit:                                    ; preds = %B234.if
  %0 = fadd double %.1556, %.1687
  %1 = fadd double %.1100, %.1167
  br label %B824

B824:                                             ; preds = %B824.loopexit, %B106.else.endif.endif.endif.if
  %n0.3.1.lcssa = phi double [ 0.000000e+00, %B106.else.endif.endif.endif.if ], [ %.966, %B824.loopexit ]
  %n1.2.1.lcssa = phi double [ 0.000000e+00, %B106.else.endif.endif.endif.if ], [ %.1033, %B824.loopexit ]
  %n2.2.1.lcssa = phi double [ 0.000000e+00, %B106.else.endif.endif.endif.if ], [ %1, %B824.loopexit ]
  %d0.3.1.lcssa = phi double [ 0.000000e+00, %B106.else.endif.endif.endif.if ], [ %.1294, %B824.loopexit ]
  %d1.2.1.lcssa = phi double [ 0.000000e+00, %B106.else.endif.endif.endif.if ], [ %.1425, %B824.loopexit ]
  %d2.2.1.lcssa = phi double [ 0.000000e+00, %B106.else.endif.endif.endif.if ], [ %0, %B824.loopexit ]
  %.1748 = and i64 %.524, 3
  %.1791993.not = icmp eq i64 %.1748, 0
  br i1 %.1791993.not, label %B984, label %B862.if.preheader

B862.if.preheader:                                ; preds = %B824
  %.1708 = and i64 %.524, -4
  br label %B862.if

B984:                                             ; preds = %B862.if, %B824
  %n0.4.1.lcssa = phi double [ %n0.3.1.lcssa, %B824 ], [ %.1891, %B862.if ]
  %d0.4.1.lcssa = phi double [ %d0.3.1.lcssa, %B824 ], [ %.2018, %B862.if ]
  %.2028 = fadd double %d1.2.1.lcssa, %d0.4.1.lcssa
  %.2040 = fadd double %d2.2.1.lcssa, %.2028
  %.2045 = fcmp ugt double %.2040, 0.000000e+00
  br i1 %.2045, label %B1024, label %common.ret

common.ret:                                       ; preds = %B984, %B102.loopexit, %.312.if
  store ptr null, ptr %retptr, align 8
  ret i32 0

B1024:                                            ; preds = %B984
  %.2077 = fadd double %n1.2.1.lcssa, %n0.4.1.lcssa
  %.2089 = fadd double %n2.2.1.lcssa, %.2077
  %.2090 = fmul double %.2089, -2.000000e+00
  %.2095 = fdiv double %.2090, %.2040
  br label %B1088.if

B1116:                                            ; preds = %B1088.if
  %.23641003.not = icmp eq i64 %.413.01010, 1
  br i1 %.23641003.not, label %B1206, label %B1148.if

B1206:                                            ; preds = %B1148.if, %B1116
  %2 = getelementptr double, ptr %arg.predictor.4, i64 %.413.01010
  store double %.2095, ptr %2, align 8
  %.26181006.not = icmp slt i64 %.524, 1
  br i1 %.26181006.not, label %B102.loopexit, label %B1246.if

B0.endif.else.endif.if:                           ; preds = %entry
  br label %B0.endif.else.endif.endif.endif.if

B0.endif.else.endif.endif.endif.if:               ; preds = %B0.endif.else.endif.if, %entry
  %.221.sroa.0.3 = phi i64 [ %arg.predictor.5.0, %B0.endif.else.endif.if ], [ 0, %entry ]
  %.342.not973 = icmp slt i64 %.221.sroa.0.3, %arg.predictor.5.0
  br i1 %.342.not973, label %.312.endif.preheader, label %.312.if, !prof !1

.312.endif.preheader:                             ; preds = %B0.endif.else.endif.endif.endif.if
  %3 = shl i64 %.221.sroa.0.3, 3
  %scevgep = getelementptr i8, ptr %arg.predictor.4, i64 %3
  %4 = sub i64 %arg.predictor.5.0, %.221.sroa.0.3
  %5 = shl i64 %4, 3
  tail call void @llvm.memset.p0.i64(ptr align 8 %scevgep, i8 0, i64 %5, i1 false)
  br label %.312.if

.312.if:                                          ; preds = %.312.endif.preheader, %B0.endif.else.endif.endif.endif.if
  store double 1.000000e+00, ptr %arg.predictor.4, align 8
  %.426 = add i64 %arg.predictor.5.0, -1
  %.4721009.not = icmp slt i64 %.426, 1
  br i1 %.4721009.not, label %common.ret, label %B104.if

B104.if:                                          ; preds = %.312.if, %B102.loopexit
  %.413.01010 = phi i64 [ %.485, %B102.loopexit ], [ 1, %.312.if ]
  %.485 = add nuw i64 %.413.01010, 1
  %.524 = sub nsw i64 %arg.forward.5.0, %.413.01010
  %.575.not = icmp slt i64 %.413.01010, %arg.forward.5.0
  br i1 %.575.not, label %B106.else.endif.endif.endif.if, label %B106.else.endif.if, !prof !2

B106.else.endif.if:                               ; preds = %B104.if
  br label %B106.else.endif.endif.endif.if

B106.else.endif.endif.endif.if:                   ; preds = %B106.else.endif.if, %B104.if
  %.555.sroa.0.3 = phi i64 [ %arg.forward.5.0, %B106.else.endif.if ], [ %.413.01010, %B104.if ]
  %.643 = sub i64 %arg.forward.5.0, %.555.sroa.0.3
  %.652 = tail call i64 @llvm.smax.i64(i64 %.643, i64 0)
  %.668 = getelementptr double, ptr %arg.forward.4, i64 %.555.sroa.0.3
  %.748.0 = ashr i64 %.524, 2
  %.865975.not = icmp slt i64 %.748.0, 1
  br i1 %.865975.not, label %B824, label %B234.if

B234.if:                                          ; preds = %B106.else.endif.endif.endif.if, %B234.if
  %d3.2.1985 = phi double [ %.1687, %B234.if ], [ 0.000000e+00, %B106.else.endif.endif.endif.if ]
  %d2.2.1984 = phi double [ %.1556, %B234.if ], [ 0.000000e+00, %B106.else.endif.endif.endif.if ]
  %d1.2.1983 = phi double [ %.1425, %B234.if ], [ 0.000000e+00, %B106.else.endif.endif.endif.if ]
  %d0.3.1982 = phi double [ %.1294, %B234.if ], [ 0.000000e+00, %B106.else.endif.endif.endif.if ]
  %n3.2.1981 = phi double [ %.1167, %B234.if ], [ 0.000000e+00, %B106.else.endif.endif.endif.if ]
  %n2.2.1980 = phi double [ %.1100, %B234.if ], [ 0.000000e+00, %B106.else.endif.endif.endif.if ]
  %n1.2.1979 = phi double [ %.1033, %B234.if ], [ 0.000000e+00, %B106.else.endif.endif.endif.if ]
  %n0.3.1978 = phi double [ %.966, %B234.if ], [ 0.000000e+00, %B106.else.endif.endif.endif.if ]
  %.808.0976 = phi i64 [ %.878, %B234.if ], [ 0, %B106.else.endif.endif.endif.if ]
  %.878 = add nuw nsw i64 %.808.0976, 1
  %6 = shl nsw i64 %.808.0976, 2
  %7 = getelementptr double, ptr %.668, i64 %6
  %.933 = load double, ptr %7, align 8
  %8 = getelementptr double, ptr %arg.backward.4, i64 %6
  %.963 = load double, ptr %8, align 8
  %.964 = fmul double %.933, %.963
  %.966 = fadd double %n0.3.1978, %.964
  %.969 = or disjoint i64 %6, 1
  %9 = getelementptr double, ptr %.668, i64 %.969
  %.999 = load double, ptr %9, align 8
  %10 = getelementptr double, ptr %arg.backward.4, i64 %.969
  %.1030 = load double, ptr %10, align 8
  %.1031 = fmul double %.999, %.1030
  %.1033 = fadd double %n1.2.1979, %.1031
  %.1036 = or disjoint i64 %6, 2
  %11 = getelementptr double, ptr %.668, i64 %.1036
  %.1066 = load double, ptr %11, align 8
  %12 = getelementptr double, ptr %arg.backward.4, i64 %.1036
  %.1097 = load double, ptr %12, align 8
  %.1098 = fmul double %.1066, %.1097
  %.1100 = fadd double %n2.2.1980, %.1098
  %.1103 = or disjoint i64 %6, 3
  %13 = getelementptr double, ptr %.668, i64 %.1103
  %.1133 = load double, ptr %13, align 8
  %14 = getelementptr double, ptr %arg.backward.4, i64 %.1103
  %.1164 = load double, ptr %14, align 8
  %.1165 = fmul double %.1133, %.1164
  %.1167 = fadd double %n3.2.1981, %.1165
  %.1230 = fmul double %.933, %.933
  %.1291 = fmul double %.963, %.963
  %.1292 = fadd double %.1230, %.1291
  %.1294 = fadd double %d0.3.1982, %.1292
  %.1359 = fmul double %.999, %.999
  %.1422 = fmul double %.1030, %.1030
  %.1423 = fadd double %.1359, %.1422
  %.1425 = fadd double %d1.2.1983, %.1423
  %.1490 = fmul double %.1066, %.1066
  %.1553 = fmul double %.1097, %.1097
  %.1554 = fadd double %.1490, %.1553
  %.1556 = fadd double %d2.2.1984, %.1554
  %.1621 = fmul double %.1133, %.1133
  %.1684 = fmul double %.1164, %.1164
  %.1685 = fadd double %.1621, %.1684
  %.1687 = fadd double %d3.2.1985, %.1685
  %exitcond.not = icmp eq i64 %.748.0, %.878
  br i1 %exitcond.not, label %B824.loopexit, label %B234.if

B862.if:                                          ; preds = %B862.if.preheader, %B862.if
  %d0.4.1997 = phi double [ %.2018, %B862.if ], [ %d0.3.1.lcssa, %B862.if.preheader ]
  %n0.4.1996 = phi double [ %.1891, %B862.if ], [ %n0.3.1.lcssa, %B862.if.preheader ]
  %.1738.0995 = phi i64 [ %.1800, %B862.if ], [ %.1748, %B862.if.preheader ]
  %.1735.0994 = phi i64 [ %.1804, %B862.if ], [ %.1708, %B862.if.preheader ]
  %.1800 = add nsw i64 %.1738.0995, -1
  %.1804 = add nuw nsw i64 %.1735.0994, 1
  %.1842 = icmp slt i64 %.1735.0994, 0
  %.1843 = select i1 %.1842, i64 %.652, i64 0
  %15 = getelementptr double, ptr %.668, i64 %.1735.0994
  %.1857 = getelementptr double, ptr %15, i64 %.1843
  %.1858 = load double, ptr %.1857, align 8
  %.1873 = select i1 %.1842, i64 %arg.backward.5.0, i64 0
  %16 = getelementptr double, ptr %arg.backward.4, i64 %.1735.0994
  %.1887 = getelementptr double, ptr %16, i64 %.1873
  %.1888 = load double, ptr %.1887, align 8
  %.1889 = fmul double %.1858, %.1888
  %.1891 = fadd double %n0.4.1996, %.1889
  %.1954 = fmul double %.1858, %.1858
  %.2015 = fmul double %.1888, %.1888
  %.2016 = fadd double %.1954, %.2015
  %.2018 = fadd double %d0.4.1997, %.2016
  %.1791 = icmp sgt i64 %.1738.0995, 1
  br i1 %.1791, label %B862.if, label %B984

B1088.if:                                         ; preds = %B1024, %B1088.if
  %.2125.01001 = phi i64 [ %.2194, %B1088.if ], [ 0, %B1024 ]
  %.2194 = add nuw nsw i64 %.2125.01001, 1
  %17 = getelementptr double, ptr %arg.predictor.4, i64 %.2125.01001
  %.2248 = load double, ptr %17, align 8
  %18 = getelementptr double, ptr %arg.room.4, i64 %.2125.01001
  store double %.2248, ptr %18, align 8
  %exitcond1012.not = icmp eq i64 %.2194, %.413.01010
  br i1 %exitcond1012.not, label %B1116, label %B1088.if

B1148.if:                                         ; preds = %B1116, %B1148.if
  %.2308.01004 = phi i64 [ %.2377, %B1148.if ], [ 1, %B1116 ]
  %.2377 = add nuw nsw i64 %.2308.01004, 1
  %19 = getelementptr double, ptr %arg.room.4, i64 %.2308.01004
  %.2431 = load double, ptr %19, align 8
  %.2433 = sub nuw nsw i64 %.413.01010, %.2308.01004
  %20 = getelementptr double, ptr %arg.room.4, i64 %.2433
  %.2463 = load double, ptr %20, align 8
  %.2465 = fmul double %.2095, %.2463
  %.2466 = fadd double %.2431, %.2465
  %21 = getelementptr double, ptr %arg.predictor.4, i64 %.2308.01004
  store double %.2466, ptr %21, align 8
  %exitcond1013.not = icmp eq i64 %.2377, %.413.01010
  br i1 %exitcond1013.not, label %B1206, label %B1148.if

B1246.if:                                         ; preds = %B1206, %B1246.if
  %.2565.01008 = phi i64 [ %.2627, %B1246.if ], [ %.524, %B1206 ]
  %.2562.01007 = phi i64 [ %.2631, %B1246.if ], [ 0, %B1206 ]
  %.2627 = add nsw i64 %.2565.01008, -1
  %.2631 = add nuw nsw i64 %.2562.01007, 1
  %22 = getelementptr double, ptr %.668, i64 %.2562.01007
  %.2685 = load double, ptr %22, align 8
  %23 = getelementptr double, ptr %arg.backward.4, i64 %.2562.01007
  %.2715 = load double, ptr %23, align 8
  %.2717 = fmul double %.2095, %.2715
  %.2718 = fadd double %.2685, %.2717
  store double %.2718, ptr %22, align 8
  %.2750 = fmul double %.2095, %.2685
  %.2751 = fadd double %.2715, %.2750
  store double %.2751, ptr %23, align 8
  %.2618 = icmp sgt i64 %.2565.01008, 1
  br i1 %.2618, label %B1246.if, label %B102.loopexit
}

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smax.i64(i64, i64) #1

; Function Attrs: nocallback nofree nounwind willreturn memory(argmem: write)
declare void @llvm.memset.p0.i64(ptr writeonly, i8, i64, i1 immarg) #2

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }
attributes #2 = { nocallback nofree nounwind willreturn memory(argmem: write) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{!"branch_weights", i32 127, i32 1}
!2 = !{!"branch_weights", i32 99, i32 1}
