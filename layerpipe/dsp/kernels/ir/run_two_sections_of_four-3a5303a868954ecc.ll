; Function Attrs: nofree norecurse nosync nounwind memory(argmem: readwrite)
define noundef i32 @layerpipe_run_two_sections_of_four_3a5303a868954ecc(ptr noalias writeonly %retptr, ptr noalias readnone %excinfo, ptr readnone %arg.first.0, ptr readnone %arg.first.1, i64 %arg.first.2, i64 %arg.first.3, ptr readonly %arg.first.4, i64 %arg.first.5.0, i64 %arg.first.6.0, ptr readnone %arg.second.0, ptr readnone %arg.second.1, i64 %arg.second.2, i64 %arg.second.3, ptr readonly %arg.second.4, i64 %arg.second.5.0, i64 %arg.second.6.0, ptr readnone %arg.samples.0, ptr readnone %arg.samples.1, i64 %arg.samples.2, i64 %arg.samples.3, ptr readonly %arg.samples.4, i64 %arg.samples.5.0, i64 %arg.samples.5.1, i64 %arg.samples.6.0, i64 %arg.samples.6.1, ptr readnone %arg.state.0, ptr readnone %arg.state.1, i64 %arg.state.2, i64 %arg.state.3, ptr %arg.state.4, i64 %arg.state.5.0, i64 %arg.state.5.1, i64 %arg.state.6.0, i64 %arg.state.6.1, ptr readnone %arg.out.0, ptr readnone %arg.out.1, i64 %arg.out.2, i64 %arg.out.3, ptr writeonly %arg.out.4, i64 %arg.out.5.0, i64 %arg.out.5.1, i64 %arg.out.6.0, i64 %arg.out.6.1) local_unnamed_addr #0 {
entry:
  %.95 = load double, ptr %arg.first.4, align 8
  %.123 = getelementptr i8, ptr %arg.first.4, i64 8
  %.124 = load double, ptr %.123, align 8
  %.152 = getelementptr i8, ptr %arg.first.4, i64 16
  %.153 = load double, ptr %.152, align 8
  %.181 = getelementptr i8, ptr %arg.first.4, i64 32
  %.182 = load double, ptr %.181, align 8
  %.210 = getelementptr i8, ptr %arg.first.4, i64 40
  %.211 = load double, ptr %.210, align 8
  %.265 = load double, ptr %arg.second.4, align 8
  %.293 = getelementptr i8, ptr %arg.second.4, i64 8
  %.294 = load double, ptr %.293, align 8
  %.322 = getelementptr i8, ptr %arg.second.4, i64 16
  %.323 = load double, ptr %.322, align 8
  %.351 = getelementptr i8, ptr %arg.second.4, i64 32
  %.352 = load double, ptr %.351, align 8
  %.380 = getelementptr i8, ptr %arg.second.4, i64 40
  %.381 = load double, ptr %.380, align 8
  %.460 = load double, ptr %arg.state.4, align 8
  %.513 = getelementptr i8, ptr %arg.state.4, i64 8
  %.514 = load double, ptr %.513, align 8
  %.567 = getelementptr i8, ptr %arg.state.4, i64 16
  %.568 = load double, ptr %.567, align 8
  %.621 = getelementptr i8, ptr %arg.state.4, i64 24
  %.622 = load double, ptr %.621, align 8
  %.695 = getelementptr double, ptr %arg.state.4, i64 %arg.state.5.1
  %.696 = load double, ptr %.695, align 8
  %.749 = getelementptr i8, ptr %.695, i64 8
  %.750 = load double, ptr %.749, align 8
  %.803 = getelementptr i8, ptr %.695, i64 16
  %.804 = load double, ptr %.803, align 8
  %.857 = getelementptr i8, ptr %.695, i64 24
  %.858 = load double, ptr %.857, align 8
  %.931.idx = shl i64 %arg.state.5.1, 4
  %.931 = getelementptr i8, ptr %arg.state.4, i64 %.931.idx
  %.932 = load double, ptr %.931, align 8
  %.985 = getelementptr i8, ptr %.931, i64 8
  %.986 = load double, ptr %.985, align 8
  %.1039 = getelementptr i8, ptr %.931, i64 16
  %.1040 = load double, ptr %.1039, align 8
  %.1093 = getelementptr i8, ptr %.931, i64 24
  %.1094 = load double, ptr %.1093, align 8
  %.1167.idx = mul i64 %arg.state.5.1, 24
  %.1167 = getelementptr i8, ptr %arg.state.4, i64 %.1167.idx
  %.1168 = load double, ptr %.1167, align 8
  %.1221 = getelementptr i8, ptr %.1167, i64 8
  %.1222 = load double, ptr %.1221, align 8
  %.1275 = getelementptr i8, ptr %.1167, i64 16
  %.1276 = load double, ptr %.1275, align 8
  %.1329 = getelementptr i8, ptr %.1167, i64 24
  %.1330 = load double, ptr %.1329, align 8
  %.1446982.not = icmp slt i64 %arg.samples.5.1, 1
  br i1 %.1446982.not, label %B1218, label %B510.if.lr.ph

B510.if.lr.ph:                                    ; preds = %entry
  %0 = getelementptr i8, ptr %arg.samples.4, i64 %arg.samples.6.0
  %.1639 = shl i64 %arg.samples.6.0, 1
  %1 = getelementptr i8, ptr %arg.samples.4, i64 %.1639
  %.1693 = mul i64 %arg.samples.6.0, 3
  %2 = getelementptr i8, ptr %arg.samples.4, i64 %.1693
  %3 = getelementptr i8, ptr %arg.out.4, i64 %arg.out.6.0
  %.2063 = shl i64 %arg.out.6.0, 1
  %4 = getelementptr i8, ptr %arg.out.4, i64 %.2063
  %.2117 = mul i64 %arg.out.6.0, 3
  %5 = getelementptr i8, ptr %arg.out.4, i64 %.2117
  br label %B510.if

B1218:                                            ; preds = %B510.if, %entry
  %s2.2.0.lcssa = phi double [ %.1094, %entry ], [ %.1878, %B510.if ]
  %r2.2.0.lcssa = phi double [ %.1040, %entry ], [ %.1852, %B510.if ]
  %q2.2.0.lcssa = phi double [ %.986, %entry ], [ %.1782, %B510.if ]
  %p2.2.0.lcssa = phi double [ %.932, %entry ], [ %.1756, %B510.if ]
  %s1.2.0.lcssa = phi double [ %.858, %entry ], [ %.1873, %B510.if ]
  %r1.2.0.lcssa = phi double [ %.804, %entry ], [ %.1841, %B510.if ]
  %q1.2.0.lcssa = phi double [ %.750, %entry ], [ %.1777, %B510.if ]
  %p1.2.0.lcssa = phi double [ %.696, %entry ], [ %.1745, %B510.if ]
  %s0.2.0.lcssa = phi double [ %.622, %entry ], [ %.1868, %B510.if ]
  %r0.2.0.lcssa = phi double [ %.568, %entry ], [ %.1834, %B510.if ]
  %q0.2.0.lcssa = phi double [ %.514, %entry ], [ %.1772, %B510.if ]
  %p0.2.0.lcssa = phi double [ %.460, %entry ], [ %.1738, %B510.if ]
  %p3.2.0.lcssa = phi double [ %.1168, %entry ], [ %.1763, %B510.if ]
  %q3.2.0.lcssa = phi double [ %.1222, %entry ], [ %.1787, %B510.if ]
  %r3.2.0.lcssa = phi double [ %.1276, %entry ], [ %.1859, %B510.if ]
  %s3.2.0.lcssa = phi double [ %.1330, %entry ], [ %.1883, %B510.if ]
  store double %p0.2.0.lcssa, ptr %arg.state.4, align 8
  store double %q0.2.0.lcssa, ptr %.513, align 8
  store double %r0.2.0.lcssa, ptr %.567, align 8
  store double %s0.2.0.lcssa, ptr %.621, align 8
  store double %p1.2.0.lcssa, ptr %.695, align 8
  store double %q1.2.0.lcssa, ptr %.749, align 8
  store double %r1.2.0.lcssa, ptr %.803, align 8
  store double %s1.2.0.lcssa, ptr %.857, align 8
  store double %p2.2.0.lcssa, ptr %.931, align 8
  store double %q2.2.0.lcssa, ptr %.985, align 8
  store double %r2.2.0.lcssa, ptr %.1039, align 8
  store double %s2.2.0.lcssa, ptr %.1093, align 8
  store double %p3.2.0.lcssa, ptr %.1167, align 8
  store double %q3.2.0.lcssa, ptr %.1221, align 8
  store double %r3.2.0.lcssa, ptr %.1275, align 8
  store double %s3.2.0.lcssa, ptr %.1329, align 8
  store ptr null, ptr %retptr, align 8
  ret i32 0

B510.if:                                          ; preds = %B510.if.lr.ph, %B510.if
  %s3.2.01000 = phi double [ %.1330, %B510.if.lr.ph ], [ %.1883, %B510.if ]
  %r3.2.0999 = phi double [ %.1276, %B510.if.lr.ph ], [ %.1859, %B510.if ]
  %q3.2.0998 = phi double [ %.1222, %B510.if.lr.ph ], [ %.1787, %B510.if ]
  %p3.2.0997 = phi double [ %.1168, %B510.if.lr.ph ], [ %.1763, %B510.if ]
  %p0.2.0996 = phi double [ %.460, %B510.if.lr.ph ], [ %.1738, %B510.if ]
  %q0.2.0995 = phi double [ %.514, %B510.if.lr.ph ], [ %.1772, %B510.if ]
  %r0.2.0994 = phi double [ %.568, %B510.if.lr.ph ], [ %.1834, %B510.if ]
  %s0.2.0993 = phi double [ %.622, %B510.if.lr.ph ], [ %.1868, %B510.if ]
  %p1.2.0992 = phi double [ %.696, %B510.if.lr.ph ], [ %.1745, %B510.if ]
  %q1.2.0991 = phi double [ %.750, %B510.if.lr.ph ], [ %.1777, %B510.if ]
  %r1.2.0990 = phi double [ %.804, %B510.if.lr.ph ], [ %.1841, %B510.if ]
  %s1.2.0989 = phi double [ %.858, %B510.if.lr.ph ], [ %.1873, %B510.if ]
  %p2.2.0988 = phi double [ %.932, %B510.if.lr.ph ], [ %.1756, %B510.if ]
  %q2.2.0987 = phi double [ %.986, %B510.if.lr.ph ], [ %.1782, %B510.if ]
  %r2.2.0986 = phi double [ %.1040, %B510.if.lr.ph ], [ %.1852, %B510.if ]
  %s2.2.0985 = phi double [ %.1094, %B510.if.lr.ph ], [ %.1878, %B510.if ]
  %.1387.0983 = phi i64 [ 0, %B510.if.lr.ph ], [ %.1459, %B510.if ]
  %.1459 = add nuw nsw i64 %.1387.0983, 1
  %.1532 = mul i64 %.1387.0983, %arg.samples.6.1
  %.1535 = getelementptr i8, ptr %arg.samples.4, i64 %.1532
  %.1537 = load double, ptr %.1535, align 8
  %.1589 = getelementptr i8, ptr %0, i64 %.1532
  %.1591 = load double, ptr %.1589, align 8
  %.1643 = getelementptr i8, ptr %1, i64 %.1532
  %.1645 = load double, ptr %.1643, align 8
  %.1697 = getelementptr i8, ptr %2, i64 %.1532
  %.1699 = load double, ptr %.1697, align 8
  %.1709 = fmul double %.95, %.1537
  %.1711 = fadd double %p0.2.0996, %.1709
  %.1713 = fmul double %.95, %.1591
  %.1715 = fadd double %p1.2.0992, %.1713
  %.1717 = fmul double %.95, %.1645
  %.1719 = fadd double %p2.2.0988, %.1717
  %.1721 = fmul double %.95, %.1699
  %.1723 = fadd double %p3.2.0997, %.1721
  %.1733 = fmul double %.124, %.1537
  %.1735 = fmul double %.182, %.1711
  %.1736 = fsub double %.1733, %.1735
  %.1738 = fadd double %q0.2.0995, %.1736
  %.1740 = fmul double %.124, %.1591
  %.1742 = fmul double %.182, %.1715
  %.1743 = fsub double %.1740, %.1742
  %.1745 = fadd double %q1.2.0991, %.1743
  %.1751 = fmul double %.124, %.1645
  %.1753 = fmul double %.182, %.1719
  %.1754 = fsub double %.1751, %.1753
  %.1756 = fadd double %q2.2.0987, %.1754
  %.1758 = fmul double %.124, %.1699
  %.1760 = fmul double %.182, %.1723
  %.1761 = fsub double %.1758, %.1760
  %.1763 = fadd double %q3.2.0998, %.1761
  %.1769 = fmul double %.153, %.1537
  %.1771 = fmul double %.211, %.1711
  %.1772 = fsub double %.1769, %.1771
  %.1774 = fmul double %.153, %.1591
  %.1776 = fmul double %.211, %.1715
  %.1777 = fsub double %.1774, %.1776
  %.1779 = fmul double %.153, %.1645
  %.1781 = fmul double %.211, %.1719
  %.1782 = fsub double %.1779, %.1781
  %.1784 = fmul double %.153, %.1699
  %.1786 = fmul double %.211, %.1723
  %.1787 = fsub double %.1784, %.1786
  %.1805 = fmul double %.265, %.1711
  %.1807 = fadd double %r0.2.0994, %.1805
  %.1809 = fmul double %.265, %.1715
  %.1811 = fadd double %r1.2.0990, %.1809
  %.1813 = fmul double %.265, %.1719
  %.1815 = fadd double %r2.2.0986, %.1813
  %.1817 = fmul double %.265, %.1723
  %.1819 = fadd double %r3.2.0999, %.1817
  %.1829 = fmul double %.294, %.1711
  %.1831 = fmul double %.352, %.1807
  %.1832 = fsub double %.1829, %.1831
  %.1834 = fadd double %s0.2.0993, %.1832
  %.1836 = fmul double %.294, %.1715
  %.1838 = fmul double %.352, %.1811
  %.1839 = fsub double %.1836, %.1838
  %.1841 = fadd double %s1.2.0989, %.1839
  %.1847 = fmul double %.294, %.1719
  %.1849 = fmul double %.352, %.1815
  %.1850 = fsub double %.1847, %.1849
  %.1852 = fadd double %s2.2.0985, %.1850
  %.1854 = fmul double %.294, %.1723
  %.1856 = fmul double %.352, %.1819
  %.1857 = fsub double %.1854, %.1856
  %.1859 = fadd double %s3.2.01000, %.1857
  %.1865 = fmul double %.323, %.1711
  %.1867 = fmul double %.381, %.1807
  %.1868 = fsub double %.1865, %.1867
  %.1870 = fmul double %.323, %.1715
  %.1872 = fmul double %.381, %.1811
  %.1873 = fsub double %.1870, %.1872
  %.1875 = fmul double %.323, %.1719
  %.1877 = fmul double %.381, %.1815
  %.1878 = fsub double %.1875, %.1877
  %.1880 = fmul double %.323, %.1723
  %.1882 = fmul double %.381, %.1819
  %.1883 = fsub double %.1880, %.1882
  %.1956 = mul i64 %.1387.0983, %arg.out.6.1
  %.1959 = getelementptr i8, ptr %arg.out.4, i64 %.1956
  store double %.1807, ptr %.1959, align 8
  %.2013 = getelementptr i8, ptr %3, i64 %.1956
  store double %.1811, ptr %.2013, align 8
  %.2067 = getelementptr i8, ptr %4, i64 %.1956
  store double %.1815, ptr %.2067, align 8
  %.2121 = getelementptr i8, ptr %5, i64 %.1956
  store double %.1819, ptr %.2121, align 8
  %exitcond.not = icmp eq i64 %.1459, %arg.samples.5.1
  br i1 %exitcond.not, label %B1218, label %B510.if
}

attributes #0 = { nofree norecurse nosync nounwind memory(argmem: readwrite) }
