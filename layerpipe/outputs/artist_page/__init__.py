"""The artist's page: readings and sound in, one HTML file out, and the reader of the artist's answer."""

from layerpipe.outputs.artist_page.answers.answer import Answer, AnswerError, ChosenLevel
from layerpipe.outputs.artist_page.answers.reader import read_answer
from layerpipe.outputs.artist_page.model import PageLayer, PagePiece, PageSection, PageSetting, PageSong, PageSound
from layerpipe.outputs.artist_page.page import PageAddresses, build_page, write_page

__all__ = [
    "Answer",
    "AnswerError",
    "ChosenLevel",
    "PageAddresses",
    "PageLayer",
    "PagePiece",
    "PageSection",
    "PageSetting",
    "PageSong",
    "PageSound",
    "build_page",
    "read_answer",
    "write_page",
]
