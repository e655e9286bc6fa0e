"""What every level of a layer does to a blend, and how a chosen one gets into the recipe."""

from layerpipe.outputs.levels.bands import Bands, measure_bands
from layerpipe.outputs.levels.peaks import SectionPeaks, borders, measure_peaks
from layerpipe.outputs.levels.study import LevelRow, LevelStudy, Solved, layer_to_try, reference_layer, study

__all__ = ["Bands", "LevelRow", "LevelStudy", "SectionPeaks", "Solved", "borders", "layer_to_try",
           "measure_bands", "measure_peaks", "reference_layer", "study"]
