"""The colours of every picture and page.

The palette is that of Okabe and Ito, "Color Universal Design" (2008): readers with any kind of colour vision can tell
its colours apart. Lines differ in dash or mark too, for print without colour.
"""

from __future__ import annotations

BLUE, VERMILION, GREEN = "#0072B2", "#D55E00", "#009E73"
PURPLE, SKY, ORANGE = "#CC79A7", "#56B4E9", "#E69F00"
LINES = (BLUE, VERMILION, GREEN, PURPLE, SKY, ORANGE)
"""In the order in which curves take them."""
INK, GREY, RULE, BAND, PALE_BLUE = "#222222", "#666666", "#dddddd", "#f4f4f1", "#bcd9ea"
"""Ours: text and the main curve, words beside it, grid, every second section, an area behind a curve."""
