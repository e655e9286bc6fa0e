"""How people name the files of a session: nine languages and ten habits.

Words, abbreviations and habits: common practice, no source. Titles are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Language:
    """What parts, sides and takes are called; each a choice of ways."""

    title: str
    words: dict[str, tuple[str, ...]]
    sides: tuple[tuple[str, str], ...]
    take: tuple[str, ...]
    """Words before a number that mean a take or a pass of it."""


def _language(title: str, sides: tuple[tuple[str, str], ...], take: tuple[str, ...], **words: str) -> Language:
    """Ways are separated by a bar."""
    return Language(title, {part: tuple(ways.split("|")) for part, ways in words.items()}, sides, take)


LANGUAGES = {
    "english": _language(
        "Harbour Lights", (("L", "R"), ("left", "right"), ("Lt", "Rt")), ("tk", "take", "pass"),
        steel="gtr steel|acoustic gtr|ac gtr", octave="high strung|octave gtr|hi strung gtr",
        thin="gtr sparkle|thin gtr",
        electric="el gtr|electric", nylon="nylon gtr|classical", lead="lead|lead vox", choir="BV hi|backing vox",
        bass="bass|bass DI", mix="rough mix|ruff mix", click="click|click track", memo="voice memo|memo",
        talk="talkback", near="close", far="room", double="dbl|double"),
    "german": _language(
        "Nebel am Kai", (("L", "R"), ("links", "rechts"), ("li", "re")), ("tk", "take", "durchgang"),
        steel="stahlgitarre|akustik git|git stahl", octave="oktavgitarre|git oktav", thin="git glitzer|git duenn",
        electric="e git|strom git", nylon="konzertgitarre|git nylon", lead="gesang|stimme", choir="chor hoch|chor",
        bass="bass|e bass", mix="rohmix|rough mix", click="klick|metronom", memo="sprachnotiz|memo", talk="ansage",
        near="nah", far="raum", double="doppel"),
    "spanish": _language(
        "Faro de Invierno", (("L", "R"), ("izq", "der"), ("izquierda", "derecha")), ("toma", "tk", "pasada"),
        steel="guitarra acero|guit acustica", octave="guitarra octava|octava", thin="guit brillo|guit fina",
        electric="guit electrica|electrica", nylon="guitarra española|guit nylon", lead="voz|voz principal",
        choir="coros|coro agudo", bass="bajo", mix="mezcla previa|premezcla", click="claqueta|metronomo",
        memo="nota de voz", talk="charla", near="cerca", far="sala", double="doble"),
    "french": _language(
        "Quai des Brumes Claires", (("G", "D"), ("gauche", "droite"), ("g", "d")), ("prise", "tk", "passe"),
        steel="guitare folk|gtr acoustique", octave="guitare octave|gtr octave", thin="gtr brillante|gtr fine",
        electric="gtr elec|électrique", nylon="guitare nylon|gtr classique", lead="voix|chant",
        choir="choeurs|choeur haut", bass="basse", mix="mix brut|prémix", click="clic|métronome", memo="memo vocal",
        talk="parlote", near="proche", far="salle", double="double"),
    "italian": _language(
        "Molo Sereno", (("sx", "dx"), ("L", "R"), ("sinistra", "destra")), ("take", "ripresa", "prova"),
        steel="chitarra acustica|chit acust", octave="chitarra ottava|chit ottava", thin="chit brillante|chit sottile",
        electric="chit elettrica|elettrica", nylon="chitarra classica|chit nylon", lead="voce|voce solista",
        choir="cori|coro alto", bass="basso", mix="mix provvisorio|premix", click="click|metronomo", memo="nota vocale",
        talk="chiacchiere", near="vicino", far="stanza", double="doppia"),
    "japanese": _language(
        "Minato no Akari", (("hidari", "migi"), ("L", "R")), ("teiku", "tk", "take"),
        steel="akogi|akogi steel", octave="okutaabu gita|hai sutorangu", thin="gita kirakira", electric="eregi|ereki",
        nylon="gattogita|gita nylon", lead="uta|vo", choir="koorasu|cho hi", bass="beesu|ba", mix="kari mix|rafu mix",
        click="kurikku|click", memo="boisu memo", talk="hanashi", near="chikai", far="heya", double="daburu"),
    "portuguese": _language(
        "Cais da Manhã", (("esq", "dir"), ("L", "R"), ("esquerda", "direita")), ("take", "tomada", "tk"),
        steel="violão aço|viola aco", octave="violão oitava|oitava", thin="violao brilho", electric="guitarra|gtr elet",
        nylon="violão nylon", lead="voz|voz solo", choir="coro|vozes agudas", bass="baixo", mix="mix guia|premix",
        click="clique|metronomo", memo="nota de voz", talk="conversa", near="perto", far="sala", double="dobra"),
    "dutch": _language(
        "Stille Kade", (("L", "R"), ("links", "rechts")), ("opname", "take", "tk"),
        steel="gitaar staal|akoestisch", octave="octaafgitaar|gitaar octaaf", thin="gitaar glans", electric="el gitaar",
        nylon="klassiek gitaar|gitaar nylon", lead="zang|stem", choir="koor hoog|koor", bass="bas|basgitaar",
        mix="ruwe mix|rough mix", click="klik|metronoom", memo="spraakmemo", talk="gepraat",
        near="dichtbij", far="kamer", double="dubbel"),
    "swedish": _language(
        "Ljus Över Hamnen", (("V", "H"), ("vänster", "höger"), ("L", "R")), ("tagning", "take", "tk"),
        steel="stålgitarr|akustisk", octave="oktavgitarr|gitarr oktav", thin="gitarr glitter", electric="elgitarr",
        nylon="nylongitarr", lead="sång", choir="kör hög|kör", bass="bas", mix="råmix|grovmix", click="klick|metronom",
        memo="röstmemo", talk="prat", near="nära", far="rum", double="dubbel"),
}

HABITS = ("spaces", "underscores", "camel", "capitals", "track number", "date", "careless", "song first",
          "number first", "rate last")


@dataclass
class Namer:
    """Names for the files of one folder; never the same name twice, small and capital letters being one."""

    language: Language
    habit: str
    rng: np.random.Generator

    def __post_init__(self) -> None:
        self._ways = {part: str(self.rng.choice(ways)) for part, ways in self.language.words.items()}
        self._sides = self.language.sides[int(self.rng.integers(len(self.language.sides)))]
        self._take = str(self.rng.choice(self.language.take))
        self._numbering = str(self.rng.choice(["bare", "word", "word apart", "brackets"]))
        self._side_first = self.rng.random() < 0.2
        self._used: set[str] = set()

    @property
    def numbers_by_word(self) -> bool:
        """Whether a number of a pass stands behind a word for it."""
        return self._numbering.startswith("word")

    def name(self, part: str, *, side: str = "", number: int | None = None, more: str = "", unsided: int = 0) -> str:
        """Name a file.

        Parameters
        ----------
        side : str
            L, R, or nothing.
        number : int, optional
            Of the pass.
        more : str
            Another word's key: near, far, double.
        unsided : int
            A number that tells two takes apart where no side is told; 0 for none.
        """
        words = self._ways[part].split()
        if side in ("L", "R"):
            told = self._sides["LR".index(side)]
            words = [told, *words] if self._side_first else [*words, told]
        if more:
            words.append(self._ways[more])
        if unsided:
            words.append(str(unsided))
        stem = self._styled(words, number)
        for again in range(2, 9):
            if stem.casefold() not in self._used:
                break
            stem = self._styled([*words, "x" * (again - 1)], number)
        self._used.add(stem.casefold())
        return stem + (".WAV" if self.habit == "capitals" else ".wav")

    def _styled(self, words: list[str], number: int | None) -> str:
        """Words as the habit joins them."""
        habit = self.habit
        if habit == "careless":
            habit = str(self.rng.choice(["spaces", "underscores", "camel"]))
        if number is not None and habit != "number first":
            words = [*words, *self._numbered(number)]
        if habit == "number first":
            return "_".join([f"{number or 1:02d}", *words])
        if habit == "spaces":
            return " ".join(word if word.isupper() else word[0].upper() + word[1:] for word in words)
        if habit == "underscores":
            return "_".join(word if len(word) == 1 else word.lower() for word in words)
        if habit == "camel":
            joined = "".join(word[0].upper() + word[1:] for word in words)
            return joined.replace("(", "_").replace(")", "")
        if habit == "capitals":
            return "-".join(words).upper()
        if habit == "track number":
            return " ".join([f"{len(self._used) + 1:02d}", *words])
        if habit == "date":
            return "_".join(["2021-03-04", *words])
        if habit == "song first":
            return f"{self.language.title} - {' '.join(words)}"
        return "_".join([*words, "48k24"])

    def _numbered(self, number: int) -> list[str]:
        """The number of a pass."""
        return {"bare": [f"{number:02d}"], "word": [f"{self._take}{number}"], "word apart": [self._take, str(number)],
                "brackets": [f"({number})"]}[self._numbering]
