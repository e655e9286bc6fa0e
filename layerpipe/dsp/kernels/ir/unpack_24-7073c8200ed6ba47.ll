; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_unpack_24_7073c8200ed6ba47(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.packed.0, ptr readnone %arg.packed.1, i64 %arg.packed.2, i64 %arg.packed.3, ptr readonly %arg.packed.4, i64 %arg.packed.5.0, i64 %arg.packed.6.0, double %arg.scale, ptr readnone %arg.out.0, ptr readnone %arg.out.1, i64 %arg.out.2, i64 %arg.out.3, ptr writeonly %arg.out.4, i64 %arg.out.5.0, i64 %arg.out.6.0) local_unnamed_addr #0 {
entry:
  %.120111.not = icmp slt i64 %arg.out.5.0, 1
  br i1 %.120111.not, label %B392, label %B60.if

B392:                                             ; preds = %B60.if, %entry
  store ptr null, ptr %retptr, align 8
  ret i32 0

B60.if:                                           ; preds = %entry, %B60.if
  %.62.0112 = phi i64 [ %.133, %B60.if ], [ 0, %entry ]
  %.133 = add nuw nsw i64 %.62.0112, 1
  %.158 = mul nuw nsw i64 %.62.0112, 3
  %0 = getelementptr i8, ptr %arg.packed.4, i64 %.158
  %.188 = load i8, ptr %0, align 1
  %1 = getelementptr i8, ptr %0, i64 1
  %.221 = load i8, ptr %1, align 1
  %.225 = zext i8 %.221 to i64
  %.226 = shl nuw nsw i64 %.225, 8
  %.227 = zext i8 %.188 to i64
  %.228 = or disjoint i64 %.226, %.227
  %2 = getelementptr i8, ptr %0, i64 2
  %.260 = load i8, ptr %2, align 1
  %.264 = sext i8 %.260 to i64
  %.265 = shl nsw i64 %.264, 16
  %.266 = or disjoint i64 %.228, %.265
  %.268 = sitofp i64 %.266 to double
  %.269 = fmul double %arg.scale, %.268
  %3 = getelementptr double, ptr %arg.out.4, i64 %.62.0112
  store double %.269, ptr %3, align 8
  %exitcond.not = icmp eq i64 %arg.out.5.0, %.133
  br i1 %exitcond.not, label %B392, label %B60.if
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
