; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_solve_predictors_90e4aaa5ef2446b4(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.correlations.0, ptr readnone %arg.correlations.1, i64 %arg.correlations.2, i64 %arg.correlations.3, ptr readonly %arg.correlations.4, i64 %arg.correlations.5.0, i64 %arg.correlations.5.1, i64 %arg.correlations.6.0, i64 %arg.correlations.6.1, double %arg.ridge, ptr readnone %arg.predictors.0, ptr readnone %arg.predictors.1, i64 %arg.predictors.2, i64 %arg.predictors.3, ptr %arg.predictors.4, i64 %arg.predictors.5.0, i64 %arg.predictors.5.1, i64 %arg.predictors.6.0, i64 %arg.predictors.6.1, ptr readnone %arg.room.0, ptr readnone %arg.room.1, i64 %arg.room.2, i64 %arg.room.3, ptr %arg.room.4, i64 %arg.room.5.0, i64 %arg.room.6.0) local_unnamed_addr #0 {
entry:
  %.74 = add i64 %arg.correlations.5.1, -1
  %.116 = icmp slt i64 %arg.correlations.5.1, 0
  %.117 = select i1 %.116, i64 %arg.room.5.0, i64 0
  %.118 = add i64 %.117, %arg.correlations.5.1
  %.121 = icmp slt i64 %.118, 0
  br i1 %.121, label %B0.else.if, label %B0.else.endif, !prof !0

B260:                                             ; preds = %B226.if, %.766.if
  %.1089 = load double, ptr %.410, align 8
  %.1093 = fadd double %arg.ridge, %.1089
  br label %B320

B320:                                             ; preds = %B872, %B260
  %.1122.0 = phi i64 [ 1, %B260 ], [ %.1192, %B872 ]
  %error.2.1 = phi double [ %.1093, %B260 ], [ %.2569, %B872 ]
  %exitcond868.not = icmp eq i64 %.1122.0, %4
  br i1 %exitcond868.not, label %B934, label %B322.if

B644.loopexit:                                    ; preds = %B432.if
  %0 = fadd double %.1947, %.2014
  br label %B644

B644:                                             ; preds = %B644.loopexit, %B324.endif.else.endif.endif.endif.if
  %s0.3.2.lcssa = phi double [ 0.000000e+00, %B324.endif.else.endif.endif.endif.if ], [ %.1813, %B644.loopexit ]
  %s1.2.2.lcssa = phi double [ 0.000000e+00, %B324.endif.else.endif.endif.endif.if ], [ %.1880, %B644.loopexit ]
  %s2.2.2.lcssa = phi double [ 0.000000e+00, %B324.endif.else.endif.endif.endif.if ], [ %0, %B644.loopexit ]
  %.2069 = and i64 %.1122.0, 3
  %.2112853.not = icmp eq i64 %.2069, 0
  br i1 %.2112853.not, label %B728, label %B682.if.preheader

B682.if.preheader:                                ; preds = %B644
  %.2029 = and i64 %.1122.0, -4
  br label %B682.if

B728:                                             ; preds = %B682.if, %B644
  %s0.4.2.lcssa = phi double [ %s0.3.2.lcssa, %B644 ], [ %.2212, %B682.if ]
  %.2224 = fadd double %s1.2.2.lcssa, %s0.4.2.lcssa
  %.2236 = fadd double %s2.2.2.lcssa, %.2224
  %.2237 = fneg double %.2236
  %.2242 = fdiv double %.2237, %error.2.1
  %.2326858.not = icmp eq i64 %.1122.0, 1
  br i1 %.2326858.not, label %B872, label %B790.if

B872:                                             ; preds = %B790.if, %B728
  %.2510 = icmp slt i64 %.1122.0, 0
  %.2511 = select i1 %.2510, i64 %arg.predictors.5.1, i64 0
  %1 = getelementptr double, ptr %.481, i64 %.1122.0
  %.2525 = getelementptr double, ptr %1, i64 %.2511
  store double %.2242, ptr %.2525, align 8
  store double %.2242, ptr %.1536, align 8
  %.2564 = fmul double %.2242, %.2242
  %.2567 = fsub double 1.000000e+00, %.2564
  %.2569 = fmul double %error.2.1, %.2567
  %.2576 = fcmp ugt double %.2569, 0.000000e+00
  br i1 %.2576, label %B320, label %B934

B934:                                             ; preds = %B320, %B872
  %exitcond869.not = icmp eq i64 %.346, %arg.correlations.5.0
  br i1 %exitcond869.not, label %B938, label %B120.if

B938:                                             ; preds = %B934, %B0.else.endif.endif.endif.if
  store ptr null, ptr %retptr, align 8
  ret i32 0

B0.else.if:                                       ; preds = %entry
  br label %B0.else.endif

B0.else.endif:                                    ; preds = %B0.else.if, %entry
  %.106.sroa.0.1 = phi i64 [ 0, %B0.else.if ], [ %.118, %entry ]
  %.126.not = icmp slt i64 %.118, %arg.room.5.0
  br i1 %.126.not, label %B0.else.endif.endif.endif.if, label %B0.else.endif.if, !prof !1

B0.else.endif.if:                                 ; preds = %B0.else.endif
  br label %B0.else.endif.endif.endif.if

B0.else.endif.endif.endif.if:                     ; preds = %B0.else.endif.if, %B0.else.endif
  %.106.sroa.0.3 = phi i64 [ %arg.room.5.0, %B0.else.endif.if ], [ %.106.sroa.0.1, %B0.else.endif ]
  %.194 = sub i64 %arg.room.5.0, %.106.sroa.0.3
  %.203 = tail call i64 @llvm.smax.i64(i64 %.194, i64 0)
  %.219 = getelementptr double, ptr %arg.room.4, i64 %.106.sroa.0.3
  %.333861.not = icmp slt i64 %arg.correlations.5.0, 1
  br i1 %.333861.not, label %B938, label %B120.if.lr.ph

B120.if.lr.ph:                                    ; preds = %B0.else.endif.endif.endif.if
  %.700 = icmp slt i64 %arg.predictors.5.1, 1
  %.857.inv = icmp sgt i64 %arg.correlations.5.1, 0
  %.858 = select i1 %.857.inv, i64 0, i64 %arg.room.5.0
  %2 = getelementptr double, ptr %arg.room.4, i64 %.74
  %.872 = getelementptr double, ptr %2, i64 %.858
  %.955840.not = icmp slt i64 %arg.correlations.5.1, 1
  %storemerge834 = tail call i64 @llvm.smax.i64(i64 %.74, i64 0)
  %3 = shl i64 %arg.predictors.5.1, 3
  %4 = add nuw i64 %storemerge834, 1
  br label %B120.if

B120.if:                                          ; preds = %B120.if.lr.ph, %B934
  %.274.0862 = phi i64 [ 0, %B120.if.lr.ph ], [ %.346, %B934 ]
  %.346 = add nuw nsw i64 %.274.0862, 1
  %.408 = mul i64 %.274.0862, %arg.correlations.5.1
  %.410 = getelementptr double, ptr %arg.correlations.4, i64 %.408
  %.479 = mul i64 %.274.0862, %arg.predictors.5.1
  %.481 = getelementptr double, ptr %arg.predictors.4, i64 %.479
  br i1 %.700, label %B122.endif.else.endif.if, label %B122.endif.else.endif.endif.endif.if, !prof !0

B122.endif.else.endif.if:                         ; preds = %B120.if
  br label %B122.endif.else.endif.endif.endif.if

B122.endif.else.endif.endif.endif.if:             ; preds = %B122.endif.else.endif.if, %B120.if
  %.675.sroa.0.3 = phi i64 [ %arg.predictors.5.1, %B122.endif.else.endif.if ], [ 0, %B120.if ]
  %.796.not838 = icmp slt i64 %.675.sroa.0.3, %arg.predictors.5.1
  br i1 %.796.not838, label %.766.endif.preheader, label %.766.if, !prof !2

.766.endif.preheader:                             ; preds = %B122.endif.else.endif.endif.endif.if
  %5 = mul i64 %3, %.274.0862
  %6 = shl i64 %.675.sroa.0.3, 3
  %7 = getelementptr i8, ptr %arg.predictors.4, i64 %5
  %scevgep = getelementptr i8, ptr %7, i64 %6
  %8 = sub i64 %3, %6
  tail call void @llvm.memset.p0.i64(ptr align 8 %scevgep, i8 0, i64 %8, i1 false)
  br label %.766.if

.766.if:                                          ; preds = %.766.endif.preheader, %B122.endif.else.endif.endif.endif.if
  store double 1.000000e+00, ptr %.481, align 8
  store double 1.000000e+00, ptr %.872, align 8
  br i1 %.955840.not, label %B260, label %B226.if

B226.if:                                          ; preds = %.766.if, %B226.if
  %.899.0841 = phi i64 [ %.968, %B226.if ], [ 0, %.766.if ]
  %.968 = add nuw nsw i64 %.899.0841, 1
  %.994 = sub nsw i64 %.74, %.899.0841
  %.1008 = icmp slt i64 %.994, 0
  %.1009 = select i1 %.1008, i64 %arg.correlations.5.1, i64 0
  %9 = getelementptr double, ptr %.410, i64 %.994
  %.1023 = getelementptr double, ptr %9, i64 %.1009
  %.1024 = load double, ptr %.1023, align 8
  %10 = getelementptr double, ptr %.219, i64 %.899.0841
  store double %.1024, ptr %10, align 8
  %exitcond.not = icmp eq i64 %arg.correlations.5.1, %.968
  br i1 %exitcond.not, label %B260, label %B226.if

B322.if:                                          ; preds = %B320
  %.1192 = add nuw i64 %.1122.0, 1
  %.1222 = sub nsw i64 %.74, %.1122.0
  %.1259 = icmp slt i64 %.1222, 0
  %.1260 = select i1 %.1259, i64 %.203, i64 0
  %.1261 = add i64 %.1260, %.1222
  %.1264 = icmp slt i64 %.1261, 0
  br i1 %.1264, label %B324.else.if, label %B324.else.endif, !prof !0

B324.else.if:                                     ; preds = %B322.if
  br label %B324.else.endif

B324.else.endif:                                  ; preds = %B324.else.if, %B322.if
  %.1249.sroa.0.1 = phi i64 [ 0, %B324.else.if ], [ %.1261, %B322.if ]
  %.1269.not = icmp slt i64 %.1261, %.203
  br i1 %.1269.not, label %B324.else.endif.endif.endif.if, label %B324.else.endif.if, !prof !1

B324.else.endif.if:                               ; preds = %B324.else.endif
  br label %B324.else.endif.endif.endif.if

B324.else.endif.endif.endif.if:                   ; preds = %B324.else.endif.if, %B324.else.endif
  %.1249.sroa.0.3 = phi i64 [ %.203, %B324.else.endif.if ], [ %.1249.sroa.0.1, %B324.else.endif ]
  %.1337 = sub nsw i64 %.203, %.1249.sroa.0.3
  %.1346 = tail call i64 @llvm.smax.i64(i64 %.1337, i64 0)
  %.1362 = getelementptr double, ptr %.219, i64 %.1249.sroa.0.3
  %.1434 = select i1 %.1259, i64 %arg.room.5.0, i64 0
  %.1435 = add i64 %.1434, %.1222
  %.1438 = icmp slt i64 %.1435, 0
  br i1 %.1438, label %B324.endif.else.if, label %B324.endif.else.endif, !prof !0

B324.endif.else.if:                               ; preds = %B324.else.endif.endif.endif.if
  br label %B324.endif.else.endif

B324.endif.else.endif:                            ; preds = %B324.endif.else.if, %B324.else.endif.endif.endif.if
  %.1423.sroa.0.1 = phi i64 [ 0, %B324.endif.else.if ], [ %.1435, %B324.else.endif.endif.endif.if ]
  %.1443.not = icmp slt i64 %.1435, %arg.room.5.0
  br i1 %.1443.not, label %B324.endif.else.endif.endif.endif.if, label %B324.endif.else.endif.if, !prof !1

B324.endif.else.endif.if:                         ; preds = %B324.endif.else.endif
  br label %B324.endif.else.endif.endif.endif.if

B324.endif.else.endif.endif.endif.if:             ; preds = %B324.endif.else.endif.if, %B324.endif.else.endif
  %.1423.sroa.0.3 = phi i64 [ %arg.room.5.0, %B324.endif.else.endif.if ], [ %.1423.sroa.0.1, %B324.endif.else.endif ]
  %.1536 = getelementptr double, ptr %arg.room.4, i64 %.1423.sroa.0.3
  %.1596.0 = ashr i64 %.1122.0, 2
  %.1712843.not = icmp slt i64 %.1596.0, 1
  br i1 %.1712843.not, label %B644, label %B432.if

B432.if:                                          ; preds = %B324.endif.else.endif.endif.endif.if, %B432.if
  %s3.2.2849 = phi double [ %.2014, %B432.if ], [ 0.000000e+00, %B324.endif.else.endif.endif.endif.if ]
  %s2.2.2848 = phi double [ %.1947, %B432.if ], [ 0.000000e+00, %B324.endif.else.endif.endif.endif.if ]
  %s1.2.2847 = phi double [ %.1880, %B432.if ], [ 0.000000e+00, %B324.endif.else.endif.endif.endif.if ]
  %s0.3.2846 = phi double [ %.1813, %B432.if ], [ 0.000000e+00, %B324.endif.else.endif.endif.endif.if ]
  %.1656.0844 = phi i64 [ %.1725, %B432.if ], [ 0, %B324.endif.else.endif.endif.endif.if ]
  %.1725 = add nuw nsw i64 %.1656.0844, 1
  %11 = shl nsw i64 %.1656.0844, 2
  %12 = getelementptr double, ptr %.481, i64 %11
  %.1780 = load double, ptr %12, align 8
  %13 = getelementptr double, ptr %.1362, i64 %11
  %.1810 = load double, ptr %13, align 8
  %.1811 = fmul double %.1780, %.1810
  %.1813 = fadd double %s0.3.2846, %.1811
  %.1816 = or disjoint i64 %11, 1
  %14 = getelementptr double, ptr %.481, i64 %.1816
  %.1846 = load double, ptr %14, align 8
  %15 = getelementptr double, ptr %.1362, i64 %.1816
  %.1877 = load double, ptr %15, align 8
  %.1878 = fmul double %.1846, %.1877
  %.1880 = fadd double %s1.2.2847, %.1878
  %.1883 = or disjoint i64 %11, 2
  %16 = getelementptr double, ptr %.481, i64 %.1883
  %.1913 = load double, ptr %16, align 8
  %17 = getelementptr double, ptr %.1362, i64 %.1883
  %.1944 = load double, ptr %17, align 8
  %.1945 = fmul double %.1913, %.1944
  %.1947 = fadd double %s2.2.2848, %.1945
  %.1950 = or disjoint i64 %11, 3
  %18 = getelementptr double, ptr %.481, i64 %.1950
  %.1980 = load double, ptr %18, align 8
  %19 = getelementptr double, ptr %.1362, i64 %.1950
  %.2011 = load double, ptr %19, align 8
  %.2012 = fmul double %.1980, %.2011
  %.2014 = fadd double %s3.2.2849, %.2012
  %exitcond864.not = icmp eq i64 %.1596.0, %.1725
  br i1 %exitcond864.not, label %B644.loopexit, label %B432.if

B682.if:                                          ; preds = %B682.if.preheader, %B682.if
  %s0.4.2856 = phi double [ %.2212, %B682.if ], [ %s0.3.2.lcssa, %B682.if.preheader ]
  %.2056.0854 = phi i64 [ %.2125, %B682.if ], [ %.2029, %B682.if.preheader ]
  %.2125 = add nuw nsw i64 %.2056.0854, 1
  %.2163 = icmp slt i64 %.2056.0854, 0
  %.2164 = select i1 %.2163, i64 %arg.predictors.5.1, i64 0
  %20 = getelementptr double, ptr %.481, i64 %.2056.0854
  %.2178 = getelementptr double, ptr %20, i64 %.2164
  %.2179 = load double, ptr %.2178, align 8
  %.2194 = select i1 %.2163, i64 %.1346, i64 0
  %21 = getelementptr double, ptr %.1362, i64 %.2056.0854
  %.2208 = getelementptr double, ptr %21, i64 %.2194
  %.2209 = load double, ptr %.2208, align 8
  %.2210 = fmul double %.2179, %.2209
  %.2212 = fadd double %s0.4.2856, %.2210
  %exitcond865.not = icmp eq i64 %.2125, %.1122.0
  br i1 %exitcond865.not, label %B728, label %B682.if

B790.if:                                          ; preds = %B728, %B790.if
  %.2270.0859 = phi i64 [ %.2339, %B790.if ], [ 1, %B728 ]
  %.2339 = add nuw i64 %.2270.0859, 1
  %22 = getelementptr double, ptr %.481, i64 %.2270.0859
  %.2393 = load double, ptr %22, align 8
  %23 = getelementptr double, ptr %.1536, i64 %.2270.0859
  %.2423 = load double, ptr %23, align 8
  %.2425 = fmul double %.2242, %.2423
  %.2426 = fadd double %.2393, %.2425
  store double %.2426, ptr %22, align 8
  %.2458 = fmul double %.2242, %.2393
  %.2459 = fadd double %.2423, %.2458
  store double %.2459, ptr %23, align 8
  %exitcond866.not = icmp eq i64 %.2339, %.1122.0
  br i1 %exitcond866.not, label %B872, label %B790.if
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
!2 = !{!"branch_weights", i32 127, i32 1}
