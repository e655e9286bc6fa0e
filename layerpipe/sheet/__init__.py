"""The artist's page: readings and sound in, one HTML file out, and the reader of what the artist sends back."""

from layerpipe.sheet.answer import Answer, AnswerError, ChosenLevel, read_answer
from layerpipe.sheet.page import build_sheet, write_page
from layerpipe.sheet.song import SheetLayer, SheetMark, SheetSection, SheetSong, SheetSound

__all__ = ["Answer", "AnswerError", "ChosenLevel", "SheetLayer", "SheetMark", "SheetSection", "SheetSong", "SheetSound",
           "build_sheet", "read_answer", "write_page"]
