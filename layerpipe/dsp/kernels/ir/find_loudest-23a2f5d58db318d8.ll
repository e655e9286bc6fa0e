; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_find_loudest_23a2f5d58db318d8(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.powers.0, ptr readnone %arg.powers.1, i64 %arg.powers.2, i64 %arg.powers.3, ptr readonly %arg.powers.4, i64 %arg.powers.5.0, i64 %arg.powers.6.0, ptr readnone %arg.starts.0, ptr readnone %arg.starts.1, i64 %arg.starts.2, i64 %arg.starts.3, ptr readonly %arg.starts.4, i64 %arg.starts.5.0, i64 %arg.starts.6.0, ptr readnone %arg.stops.0, ptr readnone %arg.stops.1, i64 %arg.stops.2, i64 %arg.stops.3, ptr readonly %arg.stops.4, i64 %arg.stops.5.0, i64 %arg.stops.6.0, ptr readnone %arg.widths.0, ptr readnone %arg.widths.1, i64 %arg.widths.2, i64 %arg.widths.3, ptr readonly %arg.widths.4, i64 %arg.widths.5.0, i64 %arg.widths.6.0, ptr readnone %arg.means.0, ptr readnone %arg.means.1, i64 %arg.means.2, i64 %arg.means.3, ptr writeonly %arg.means.4, i64 %arg.means.5.0, i64 %arg.means.6.0) local_unnamed_addr #0 {
entry:
  %.150242.not = icmp slt i64 %arg.starts.5.0, 1
  br i1 %.150242.not, label %B316, label %B60.if

B204:                                             ; preds = %B148.if
  %.502 = sub nsw i64 %.325.0237, %.221
  %.516 = icmp slt i64 %.502, 0
  %.517 = select i1 %.516, i64 %arg.powers.5.0, i64 0
  %0 = getelementptr double, ptr %arg.powers.4, i64 %.502
  %.531 = getelementptr double, ptr %0, i64 %.517
  %.532 = load double, ptr %.531, align 8
  %.534 = fadd double %until.2.1239, %.532
  br label %B232

B232:                                             ; preds = %B204, %B148.if
  %until.3.2 = phi double [ %.534, %B204 ], [ %until.2.1239, %B148.if ]
  %.581.not = icmp slt i64 %.325.0237, %.579
  br i1 %.581.not, label %B296, label %B268

B268:                                             ; preds = %B232
  %.590 = fsub double %.458, %until.3.2
  %.592 = fcmp ogt double %.590, %highest.2.1241
  br i1 %.592, label %B286, label %B296

B286:                                             ; preds = %B268
  br label %B296

B296:                                             ; preds = %B286, %B268, %B232
  %highest.3.2 = phi double [ %.590, %B286 ], [ %highest.2.1241, %B268 ], [ %highest.2.1241, %B232 ]
  %.381 = icmp sgt i64 %.328.0238, 1
  br i1 %.381, label %B148.if, label %B298

B298:                                             ; preds = %B296, %B60.if
  %highest.2.1.lcssa = phi double [ 0.000000e+00, %B60.if ], [ %highest.3.2, %B296 ]
  %.628 = sitofp i64 %.221 to double
  %.632 = fdiv double %highest.2.1.lcssa, %.628
  %1 = getelementptr double, ptr %arg.means.4, i64 %.92.0243
  store double %.632, ptr %1, align 8
  %exitcond.not = icmp eq i64 %arg.starts.5.0, %.163
  br i1 %exitcond.not, label %B316, label %B60.if

B316:                                             ; preds = %B298, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B60.if:                                           ; preds = %entry, %B298
  %.92.0243 = phi i64 [ %.163, %B298 ], [ 0, %entry ]
  %.163 = add nuw nsw i64 %.92.0243, 1
  %2 = getelementptr i64, ptr %arg.widths.4, i64 %.92.0243
  %.221 = load i64, ptr %2, align 8
  %3 = getelementptr i64, ptr %arg.starts.4, i64 %.92.0243
  %.270 = load i64, ptr %3, align 8
  %4 = getelementptr i64, ptr %arg.stops.4, i64 %.92.0243
  %.301 = load i64, ptr %4, align 8
  %.338 = sub i64 %.301, %.270
  %.381236.not = icmp slt i64 %.338, 1
  br i1 %.381236.not, label %B298, label %B148.if.lr.ph

B148.if.lr.ph:                                    ; preds = %B60.if
  %.496 = add nsw i64 %.270, %.221
  %.579 = add nsw i64 %.496, -1
  br label %B148.if

B148.if:                                          ; preds = %B148.if.lr.ph, %B296
  %highest.2.1241 = phi double [ 0.000000e+00, %B148.if.lr.ph ], [ %highest.3.2, %B296 ]
  %since.2.1240 = phi double [ 0.000000e+00, %B148.if.lr.ph ], [ %.458, %B296 ]
  %until.2.1239 = phi double [ 0.000000e+00, %B148.if.lr.ph ], [ %until.3.2, %B296 ]
  %.328.0238 = phi i64 [ %.338, %B148.if.lr.ph ], [ %.390, %B296 ]
  %.325.0237 = phi i64 [ %.270, %B148.if.lr.ph ], [ %.394, %B296 ]
  %.390 = add nsw i64 %.328.0238, -1
  %.394 = add i64 %.325.0237, 1
  %.440 = icmp slt i64 %.325.0237, 0
  %.441 = select i1 %.440, i64 %arg.powers.5.0, i64 0
  %5 = getelementptr double, ptr %arg.powers.4, i64 %.325.0237
  %.455 = getelementptr double, ptr %5, i64 %.441
  %.456 = load double, ptr %.455, align 8
  %.458 = fadd double %since.2.1240, %.456
  %.498.not = icmp slt i64 %.325.0237, %.496
  br i1 %.498.not, label %B232, label %B204
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
