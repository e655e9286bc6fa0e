; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_pack_24_7f58556050c0c7ee(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.pcm.0, ptr readnone %arg.pcm.1, i64 %arg.pcm.2, i64 %arg.pcm.3, ptr readonly %arg.pcm.4, i64 %arg.pcm.5.0, i64 %arg.pcm.6.0, ptr readnone %arg.words.0, ptr readnone %arg.words.1, i64 %arg.words.2, i64 %arg.words.3, ptr writeonly %arg.words.4, i64 %arg.words.5.0, i64 %arg.words.6.0, ptr readnone %arg.rest.0, ptr readnone %arg.rest.1, i64 %arg.rest.2, i64 %arg.rest.3, ptr writeonly %arg.rest.4, i64 %arg.rest.5.0, i64 %arg.rest.6.0) local_unnamed_addr #0 {
entry:
  %.65 = sdiv i64 %arg.words.5.0, 3
  %.66 = srem i64 %arg.words.5.0, 3
  %.66.lobit = ashr i64 %.66, 63
  %.54.0 = add nsw i64 %.66.lobit, %.65
  %.173259.not = icmp slt i64 %.54.0, 1
  br i1 %.173259.not, label %B600.else.if, label %B72.if

B966:                                             ; preds = %B662.if, %B600.else.if
  store ptr null, ptr %retptr, align 8
  ret i32 0

B72.if:                                           ; preds = %entry, %B72.if
  %.114.0260 = phi i64 [ %.186, %B72.if ], [ 0, %entry ]
  %.186 = add nuw nsw i64 %.114.0260, 1
  %.idx = shl i64 %.114.0260, 4
  %0 = getelementptr i8, ptr %arg.pcm.4, i64 %.idx
  %.241 = load i32, ptr %0, align 4
  %1 = and i32 %.241, 16777215
  %2 = getelementptr i8, ptr %0, i64 4
  %.277 = load i32, ptr %2, align 4
  %3 = getelementptr i8, ptr %0, i64 8
  %.313 = load i32, ptr %3, align 4
  %4 = getelementptr i8, ptr %0, i64 12
  %.349 = load i32, ptr %4, align 4
  %.352 = shl i32 %.277, 24
  %.353 = or disjoint i32 %.352, %1
  %.idx258 = mul i64 %.114.0260, 12
  %5 = getelementptr i8, ptr %arg.words.4, i64 %.idx258
  store i32 %.353, ptr %5, align 4
  %6 = lshr i32 %.277, 8
  %7 = and i32 %6, 65535
  %.391 = shl i32 %.313, 16
  %.392 = or disjoint i32 %.391, %7
  %8 = getelementptr i8, ptr %5, i64 4
  store i32 %.392, ptr %8, align 4
  %9 = lshr i32 %.313, 16
  %10 = and i32 %9, 255
  %.432 = shl i32 %.349, 8
  %.433 = or disjoint i32 %.432, %10
  %11 = getelementptr i8, ptr %5, i64 8
  store i32 %.433, ptr %11, align 4
  %exitcond.not = icmp eq i64 %.54.0, %.186
  br i1 %exitcond.not, label %B600.else.if, label %B72.if

B600.else.if:                                     ; preds = %B72.if, %entry
  %.502 = sdiv i64 %arg.rest.5.0, 3
  %.503 = srem i64 %arg.rest.5.0, 3
  %.503.lobit = ashr i64 %.503, 63
  %.491.0 = add nsw i64 %.503.lobit, %.502
  %.603262.not = icmp slt i64 %.491.0, 1
  br i1 %.603262.not, label %B966, label %B662.if.lr.ph

B662.if.lr.ph:                                    ; preds = %B600.else.if
  %.642 = shl nsw i64 %.54.0, 2
  br label %B662.if

B662.if:                                          ; preds = %B662.if.lr.ph, %B662.if
  %.547.0263 = phi i64 [ 0, %B662.if.lr.ph ], [ %.616, %B662.if ]
  %.616 = add nuw nsw i64 %.547.0263, 1
  %.643 = add nsw i64 %.547.0263, %.642
  %.657 = icmp slt i64 %.643, 0
  %.658 = select i1 %.657, i64 %arg.pcm.5.0, i64 0
  %12 = getelementptr i32, ptr %arg.pcm.4, i64 %.643
  %.672 = getelementptr i32, ptr %12, i64 %.658
  %.673 = load i32, ptr %.672, align 4
  %.675 = zext i32 %.673 to i64
  %.678 = mul nuw nsw i64 %.547.0263, 3
  %13 = getelementptr i8, ptr %arg.rest.4, i64 %.678
  %.708 = trunc i32 %.673 to i8
  store i8 %.708, ptr %13, align 1
  %.713 = lshr i64 %.675, 8
  %14 = getelementptr i8, ptr %13, i64 1
  %.748 = trunc i64 %.713 to i8
  store i8 %.748, ptr %14, align 1
  %.753 = lshr i64 %.675, 16
  %15 = getelementptr i8, ptr %13, i64 2
  %.788 = trunc i64 %.753 to i8
  store i8 %.788, ptr %15, align 1
  %exitcond265.not = icmp eq i64 %.616, %.491.0
  br i1 %exitcond265.not, label %B966, label %B662.if
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
