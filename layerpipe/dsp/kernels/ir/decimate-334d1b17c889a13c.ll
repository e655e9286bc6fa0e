; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_decimate_334d1b17c889a13c(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.phases.0, ptr readnone %arg.phases.1, i64 %arg.phases.2, i64 %arg.phases.3, ptr readonly %arg.phases.4, i64 %arg.phases.5.0, i64 %arg.phases.5.1, i64 %arg.phases.6.0, i64 %arg.phases.6.1, ptr readnone %arg.taps.0, ptr readnone %arg.taps.1, i64 %arg.taps.2, i64 %arg.taps.3, ptr readonly %arg.taps.4, i64 %arg.taps.5.0, i64 %arg.taps.6.0, ptr readnone %arg.out.0, ptr readnone %arg.out.1, i64 %arg.out.2, i64 %arg.out.3, ptr %arg.out.4, i64 %arg.out.5.0, i64 %arg.out.6.0) local_unnamed_addr #0 {
entry:
  %0 = add nuw i64 %arg.out.5.0, 1023
  %.127 = lshr i64 %0, 10
  %.104.inv = icmp slt i64 %arg.out.5.0, 1
  %.148398.not407 = icmp eq i64 %.127, 0
  %.148398.not = select i1 %.104.inv, i1 true, i1 %.148398.not407
  br i1 %.148398.not, label %B368, label %B92.lr.ph

B92.lr.ph:                                        ; preds = %entry
  %.93.1401 = add nsw i64 %.127, -1
  %.752395.not = icmp slt i64 %arg.taps.5.0, 1
  %.823.not = icmp eq i64 %arg.phases.5.0, 0
  %1 = tail call i64 @llvm.smin.i64(i64 %arg.phases.5.0, i64 0)
  %.883 = icmp slt i64 %arg.phases.5.0, 0
  br label %B92

B90.loopexit:                                     ; preds = %B190.loopexit, %.616.if
  %.148 = icmp sgt i64 %.93.1403, 0
  %.161 = add i64 %.90.1402, 1024
  %.90.1 = select i1 %.148, i64 %.161, i64 %.90.1402
  %.157 = sext i1 %.148 to i64
  %.93.1 = add nsw i64 %.93.1403, %.157
  %.138.sroa.0.0 = select i1 %.148, i64 %.90.1402, i64 0
  br i1 %.148, label %B92, label %B368

B92:                                              ; preds = %B92.lr.ph, %B90.loopexit
  %.138.sroa.0.0404 = phi i64 [ 0, %B92.lr.ph ], [ %.138.sroa.0.0, %B90.loopexit ]
  %.93.1403 = phi i64 [ %.93.1401, %B92.lr.ph ], [ %.93.1, %B90.loopexit ]
  %.90.1402 = phi i64 [ 1024, %B92.lr.ph ], [ %.90.1, %B90.loopexit ]
  %.190 = add nsw i64 %.138.sroa.0.0404, 1024
  %.228 = icmp slt i64 %.138.sroa.0.0404, 0
  %.229 = select i1 %.228, i64 %arg.out.5.0, i64 0
  %.230 = add i64 %.229, %.138.sroa.0.0404
  %.233 = icmp slt i64 %.230, 0
  br i1 %.233, label %B92.else.if, label %B92.else.endif, !prof !0

B190.loopexit:                                    ; preds = %B308.if, %B192.endif.endif.else.endif.endif.endif.if
  %exitcond408.not = icmp eq i64 %arg.taps.5.0, %.765
  br i1 %exitcond408.not, label %B90.loopexit, label %B190.if

B368:                                             ; preds = %B90.loopexit, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B92.endif:                                        ; preds = %B92.else.endif.endif.endif, %B92.else.endif.endif.endif.if
  %.218.sroa.13.0 = phi i64 [ %arg.out.5.0, %B92.else.endif.endif.endif.if ], [ %.218.sroa.13.1, %B92.else.endif.endif.endif ]
  %.306 = sub i64 %.218.sroa.13.0, %.218.sroa.0.3
  %.331 = getelementptr double, ptr %arg.out.4, i64 %.218.sroa.0.3
  %.646.not390 = icmp sgt i64 %.306, 0
  br i1 %.646.not390, label %.616.endif.preheader, label %.616.if, !prof !1

B92.else.if:                                      ; preds = %B92
  br label %B92.else.endif

B92.else.endif:                                   ; preds = %B92.else.if, %B92
  %.218.sroa.0.1 = phi i64 [ 0, %B92.else.if ], [ %.230, %B92 ]
  %.238.not = icmp slt i64 %.230, %arg.out.5.0
  br i1 %.238.not, label %B92.else.endif.endif, label %B92.else.endif.if, !prof !2

B92.else.endif.if:                                ; preds = %B92.else.endif
  br label %B92.else.endif.endif

B92.else.endif.endif:                             ; preds = %B92.else.endif.if, %B92.else.endif
  %.218.sroa.0.3 = phi i64 [ %arg.out.5.0, %B92.else.endif.if ], [ %.218.sroa.0.1, %B92.else.endif ]
  %.245 = icmp slt i64 %.138.sroa.0.0404, -1024
  %.246 = select i1 %.245, i64 %arg.out.5.0, i64 0
  %.247 = add i64 %.190, %.246
  %.250 = icmp slt i64 %.247, 0
  br i1 %.250, label %B92.else.endif.endif.if, label %B92.else.endif.endif.endif, !prof !0

B92.else.endif.endif.if:                          ; preds = %B92.else.endif.endif
  br label %B92.else.endif.endif.endif

B92.else.endif.endif.endif:                       ; preds = %B92.else.endif.endif.if, %B92.else.endif.endif
  %.218.sroa.13.1 = phi i64 [ 0, %B92.else.endif.endif.if ], [ %.247, %B92.else.endif.endif ]
  %.255.not = icmp slt i64 %.247, %arg.out.5.0
  br i1 %.255.not, label %B92.endif, label %B92.else.endif.endif.endif.if, !prof !2

B92.else.endif.endif.endif.if:                    ; preds = %B92.else.endif.endif.endif
  br label %B92.endif

.616.endif.preheader:                             ; preds = %B92.endif
  %2 = shl i64 %.218.sroa.0.3, 3
  %scevgep = getelementptr i8, ptr %arg.out.4, i64 %2
  %3 = sub i64 %.218.sroa.13.0, %.218.sroa.0.3
  %4 = shl nuw i64 %3, 3
  tail call void @llvm.memset.p0.i64(ptr align 8 %scevgep, i8 0, i64 %4, i1 false)
  br label %.616.if

.616.if:                                          ; preds = %.616.endif.preheader, %B92.endif
  br i1 %.752395.not, label %B90.loopexit, label %B190.if.lr.ph

B190.if.lr.ph:                                    ; preds = %.616.if
  %.1187392.not = icmp slt i64 %.306, 1
  br label %B190.if

B190.if:                                          ; preds = %B190.if.lr.ph, %B190.loopexit
  %.696.0396 = phi i64 [ 0, %B190.if.lr.ph ], [ %.765, %B190.loopexit ]
  %.765 = add nuw nsw i64 %.696.0396, 1
  %5 = getelementptr double, ptr %arg.taps.4, i64 %.696.0396
  %.819 = load double, ptr %5, align 8
  br i1 %.823.not, label %B192.endif, label %B192.else.if, !prof !3

B192.endif:                                       ; preds = %B192.else.if, %B190.if
  %rem.0 = phi i64 [ 0, %B190.if ], [ %spec.select, %B192.else.if ]
  br i1 %.823.not, label %B192.endif.endif, label %B192.endif.else.if, !prof !3

B192.else.if:                                     ; preds = %B190.if
  %.840 = srem i64 %.696.0396, %arg.phases.5.0
  %.843.not = icmp eq i64 %.840, 0
  %.851 = select i1 %.843.not, i64 0, i64 %1
  %spec.select = add nsw i64 %.851, %.840
  br label %B192.endif

B192.endif.endif:                                 ; preds = %B192.endif.else.if, %B192.endif
  %quot.1.0 = phi i64 [ 0, %B192.endif ], [ %spec.select389, %B192.endif.else.if ]
  %.939 = icmp slt i64 %rem.0, 0
  %.940 = select i1 %.939, i64 %arg.phases.5.0, i64 0
  %.941 = add i64 %.940, %rem.0
  %.903 = add nsw i64 %quot.1.0, %.138.sroa.0.0404
  %.952 = icmp slt i64 %.903, 0
  %.953 = select i1 %.952, i64 %arg.phases.5.1, i64 0
  %.954 = add i64 %.953, %.903
  %.957 = icmp slt i64 %.954, 0
  br i1 %.957, label %B192.endif.endif.else.if, label %B192.endif.endif.else.endif, !prof !0

B192.endif.else.if:                               ; preds = %B192.endif
  %.880 = sdiv i64 %.696.0396, %arg.phases.5.0
  %.881 = srem i64 %.696.0396, %arg.phases.5.0
  %.884 = icmp ne i64 %.881, 0
  %.885 = and i1 %.884, %.883
  %.890 = sext i1 %.885 to i64
  %spec.select389 = add i64 %.880, %.890
  br label %B192.endif.endif

B192.endif.endif.else.if:                         ; preds = %B192.endif.endif
  br label %B192.endif.endif.else.endif

B192.endif.endif.else.endif:                      ; preds = %B192.endif.endif.else.if, %B192.endif.endif
  %.942.sroa.0.1 = phi i64 [ 0, %B192.endif.endif.else.if ], [ %.954, %B192.endif.endif ]
  %.962.not = icmp slt i64 %.954, %arg.phases.5.1
  br i1 %.962.not, label %B192.endif.endif.else.endif.endif.endif.if, label %B192.endif.endif.else.endif.if, !prof !2

B192.endif.endif.else.endif.if:                   ; preds = %B192.endif.endif.else.endif
  br label %B192.endif.endif.else.endif.endif.endif.if

B192.endif.endif.else.endif.endif.endif.if:       ; preds = %B192.endif.endif.else.endif.if, %B192.endif.endif.else.endif
  %.942.sroa.0.3 = phi i64 [ %arg.phases.5.1, %B192.endif.endif.else.endif.if ], [ %.942.sroa.0.1, %B192.endif.endif.else.endif ]
  %.1059 = mul i64 %.941, %arg.phases.5.1
  %6 = getelementptr double, ptr %arg.phases.4, i64 %.1059
  %.1063 = getelementptr double, ptr %6, i64 %.942.sroa.0.3
  br i1 %.1187392.not, label %B190.loopexit, label %B308.if

B308.if:                                          ; preds = %B192.endif.endif.else.endif.endif.endif.if, %B308.if
  %.1131.0393 = phi i64 [ %.1200, %B308.if ], [ 0, %B192.endif.endif.else.endif.endif.endif.if ]
  %.1200 = add nuw nsw i64 %.1131.0393, 1
  %7 = getelementptr double, ptr %.331, i64 %.1131.0393
  %.1254 = load double, ptr %7, align 8
  %8 = getelementptr double, ptr %.1063, i64 %.1131.0393
  %.1284 = load double, ptr %8, align 8
  %.1286 = fmul double %.819, %.1284
  %.1287 = fadd double %.1254, %.1286
  store double %.1287, ptr %7, align 8
  %exitcond.not = icmp eq i64 %.306, %.1200
  br i1 %exitcond.not, label %B190.loopexit, label %B308.if
}

; Function Attrs: nocallback nofree nounwind willreturn memory(argmem: write)
declare void @llvm.memset.p0.i64(ptr writeonly, i8, i64, i1 immarg) #1

; Function Attrs: nocallback nofree nosync nounwind speculatable willreturn memory(none)
declare i64 @llvm.smin.i64(i64, i64) #2

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
attributes #1 = { nocallback nofree nounwind willreturn memory(argmem: write) }
attributes #2 = { nocallback nofree nosync nounwind speculatable willreturn memory(none) }

!0 = !{!"branch_weights", i32 1, i32 99}
!1 = !{!"branch_weights", i32 127, i32 1}
!2 = !{!"branch_weights", i32 99, i32 1}
!3 = !{!"branch_weights", i32 199, i32 9801}
