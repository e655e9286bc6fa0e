"""The artist's page: readings and sound in, one HTML file out, and the reader of what the artist sends back."""

from layerpipe.outputs.artist_page.answer import Answer, AnswerError, ChosenLevel, read_answer
from layerpipe.outputs.artist_page.model import SheetLayer, SheetMark, SheetSection, SheetSong, SheetSound
from layerpipe.outputs.artist_page.page import build_sheet, write_page

__all__ = ["Answer", "AnswerError", "ChosenLevel", "SheetLayer", "SheetMark", "SheetSection", "SheetSong", "SheetSound",
           "build_sheet", "read_answer", "write_page"]
