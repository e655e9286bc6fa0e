"""What files of a session are called: words for sides, roles, takes and microphones, one table per language.

Words are in small letters without accents, as `names` reads them. A word of five letters or more also counts inside a
longer one (`oktav` in `oktavgitarre`), unless "=" is before it; shorter ones only alone; a phrase only as a whole.
Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache

ROLES = ("memo", "talk", "click", "choir", "lead", "drums", "bass", "keys", "octave", "high", "guitar", "mix")
"""Roles that words name, the more certain one first: a "voice memo" is a memo, a "backing vox" is no backing track."""
LONE = ("lead", "bass", "drums")
"""Parts that are heard from the middle: several files of one are passes."""
_INSIDE = 5
"""Letters from which a word counts inside a longer one."""


@dataclass(frozen=True)
class Language:
    """The words of one language, separated by bars; pairs of sides as left/right."""

    sides: str
    take: str
    octave: str = ""
    high: str = ""
    """Words that may mean an octave layer; the sound decides."""
    guitar: str = ""
    lead: str = ""
    choir: str = ""
    bass: str = ""
    drums: str = ""
    keys: str = ""
    mix: str = ""
    click: str = ""
    memo: str = ""
    talk: str = ""
    near: str = ""
    far: str = ""
    double: str = ""


LANGUAGES = {
    "english": Language(
        sides="l/r|left/right|lt/rt|lft/rgt", take="take|tk|pass|try|version", near="close|near|mic|di|amp|front",
        octave="octave|octaves|oct|8va|high strung|hi strung|highstrung|nashville|strung",
        high="high|hi|upper",
        guitar="guitar|guitars|gtr|gtrs|gt|acoustic|ac|electric|nylon|steel|banjo|mandolin|strum|strums",
        lead="vox|vocal|vocals|voc|voice|singer|lv", bass="bass|sub", far="room|far|ambience|rear",
        choir="voices|bv|bvs|bvox|bgv|backing vox|backing vocal|backing vocals|backing voc|choir|harmony|harm|"
             "harmonies|gang",
        drums="drum|drums|kick|snare|hat|hihat|hi hat|toms|tom|overhead|overheads|oh|perc|percussion|shaker|tambourine",
        keys="piano|keys|organ|synth|pad|rhodes|violin|cello|flute|sax|trumpet|harmonica",
        mix="mix|premix|mixdown|bounce|=rough|ruff|bed|backing|playback|instrumental|monitor mix|demo|ref|reference",
        click="click|click track|metronome|metro|clk|=count|count in", talk="talkback|talk|chat|=slate|chatter",
        memo="memo|voice memo|voice note|note|=idea|=phone", double="double|dbl|doubled|doubles|dub"),
    "german": Language(
        sides="links/rechts|li/re", take="durchgang|aufnahme|versuch", octave="oktav|oktave", high="hoch",
        near="nah|vorne",
        far="raum|fern|hinten", double="doppel|doppelt|dopplung", guitar="gitarre|gitarren|git|klampfe|akustik",
        lead="gesang|stimme|hauptstimme|saenger", choir="chor|choere|backings", bass="bass|e bass|kontrabass",
        drums="schlagzeug|trommel|becken", keys="klavier|orgel|geige|fluegel",
        mix="mischung|rohmix|vorabmix|mix|playback", click="klick|metronom|takt", memo="sprachnotiz|notiz|sprachmemo",
        talk="ansage|gerede|gespraech"),
    "spanish": Language(
        sides="izq/der|izquierda/derecha|izquierdo/derecho", take="toma|pasada", octave="octava|octavas",
        near="cerca|cercano", far="sala|lejos|ambiente", double="doble|doblada", guitar="guitarra|guitarras|guit",
        lead="voz|voz principal|cantante", choir="coros|coro|voces", bass="bajo|contrabajo", drums="bateria|bombo|caja",
        keys="teclado|organo", mix="mezcla|premezcla|maqueta", click="claqueta|metronomo",
        memo="nota de voz|nota voz|audio movil", talk="charla|hablado|conversacion"),
    "french": Language(
        sides="g/d|gauche/droite", take="prise|passe|essai", octave="octave", high="aigue", near="proche|pres",
        far="salle|loin", double="double|doublage|doublee", guitar="guitare|guitares|gtr",
        lead="voix|chant|chanteur|chanteuse",
        choir="choeur|choeurs", bass="basse|contrebasse", drums="batterie|caisse", keys="clavier|orgue|violon",
        mix="mix|premix|maquette|mixage", click="clic|metronome", memo="memo vocal|memo|dictaphone",
        talk="parlote|discussion|bavardage"),
    "italian": Language(
        sides="sx/dx|sinistra/destra|sin/des", take="ripresa|prova|presa", octave="ottava", high="acuta", near="vicino",
        far="stanza|lontano|sala", double="doppia|doppio|raddoppio", guitar="chitarra|chitarre|chit",
        lead="voce|voce solista|cantante", choir="cori|coro", bass="basso|contrabbasso", drums="batteria|cassa",
        keys="pianoforte|tastiera|organo", mix="mix|premix|missaggio", click="click|metronomo",
        memo="nota vocale|memo vocale", talk="chiacchiere|parlato"),
    "japanese": Language(
        sides="hidari/migi", take="teiku", octave="okutaabu|okutabu|sutorangu", near="chikai", far="heya|tooi",
        double="daburu", guitar="gita|gitaa|akogi|eregi|ereki|gattogita", lead="uta|vo|bokaru|bookaru",
        choir="koorasu|korasu|cho", bass="beesu|besu|ba", drums="doramu", keys="kiiboodo|piano",
        mix="mix|mikkusu|rafu", click="kurikku|kuriku", memo="boisu memo|memo", talk="hanashi|kaiwa"),
    "portuguese": Language(
        sides="esq/dir|esquerda/direita|esquerdo/direito", take="tomada|gravacao", octave="oitava", high="aguda",
        near="perto", far="sala|longe", double="dobra|dobrada", guitar="violao|viola|guitarra",
        lead="voz|voz solo|cantor", choir="coro|coros|vozes", bass="baixo", drums="bateria|bumbo|caixa",
        keys="teclado|piano", mix="mix|premix|mixagem|mistura", click="clique|metronomo",
        memo="nota de voz|nota voz", talk="conversa|papo"),
    "dutch": Language(
        sides="links/rechts", take="opname|poging", octave="octaaf", high="hoog", near="dichtbij|dicht",
        far="kamer|ver",
        double="dubbel|dubbele", guitar="gitaar|gitaren|akoestisch", lead="zang|stem|zanger", choir="koor|achtergrond",
        bass="bas|basgitaar|contrabas", drums="trommel|slagwerk", keys="toetsen|orgel", mix="mix|ruwe mix",
        click="klik|metronoom", memo="spraakmemo|memo", talk="gepraat|praatje"),
    "swedish": Language(
        sides="v/h|vanster/hoger|va/ho", take="tagning|tagn", octave="oktav", high="hog", near="nara", far="rum|langt",
        double="dubbel|dubbad", guitar="gitarr|gitarrer|akustisk", lead="sang|rost", choir="kor|korer|stammor",
        bass="bas|elbas", drums="trummor|trumma|slagverk", keys="klaviatur|orgel|fiol", mix="mix|ramix|grovmix",
        click="klick|metronom", memo="rostmemo|memo", talk="prat|snack"),
    "danish and norwegian": Language(
        sides="v/h|venstre/hojre|venstre/hoyre", take="optagelse|opptak", octave="oktav",
        high="hoj|hoy", near="taet|naer",
        far="rum|rom", double="dobbel|dobbelt", guitar="guitar|gitar|akustisk", lead="sang|stemme|vokal",
        choir="kor|korstemmer", bass="bas|bass", drums="trommer|slagtoj", keys="klaver|orgel", mix="mix|miks|raamix",
        click="klik|klikk|metronom", memo="talememo|memo|notat", talk="snak|prat"),
    "polish": Language(
        sides="lewa/prawa|lewy/prawy|lewo/prawo|l/p", take="ujecie|podejscie|wersja", octave="oktawa", high="wysoka",
        near="blisko|bliski", far="pokoj|daleko", double="dubel|podwojna", guitar="gitara|gitary|akustyk",
        lead="wokal|glos|spiew", choir="chor|chorki", bass="basowa", drums="perkusja|beben", keys="klawisze|pianino",
        mix="miks|mix", click="klik|metronom", memo="notatka|dyktafon", talk="rozmowa|gadanie"),
    "finnish": Language(
        sides="vasen/oikea|vas/oik", take="otto", octave="oktaavi", near="lahi", far="huone", double="tuplaus|tupla",
        guitar="kitara|akustinen", lead="laulu|aani", choir="kuoro|taustat|stemmat", bass="basso", drums="rummut",
        keys="koskettimet|piano", mix="miksaus|raakamiksaus|miksi", click="klikki|metronomi", memo="sanelu|muistio",
        talk="puhe|juttelu"),
}

NEUTRAL = ("final", "new", "audio", "mono", "stereo", "stem", "stems", "main", "regular", "wav", "track", "rec", "edit",
           "raw", "dry", "comp", "consolidated", "khz", "bit", "hz")
"""Words that say nothing about the part."""


@cache
def words_of(role: str) -> tuple[str, ...]:
    """All words of a role in all languages; phrases have spaces."""
    if role not in {field.name for field in fields(Language)}:
        raise ValueError(f"role={role} is no role of words")
    return tuple(dict.fromkeys(word for language in LANGUAGES.values() for word in getattr(language, role).split("|")
                               if word))


@cache
def side_pairs() -> tuple[tuple[str, str], ...]:
    """All pairs of words for left and right."""
    pairs = [pair.split("/") for language in LANGUAGES.values() for pair in language.sides.split("|")]
    return tuple(dict.fromkeys((left, right) for left, right in pairs))


@cache
def is_one_of(word: str, role: str) -> bool:
    """Whether a single word belongs to a role."""
    return any(word == one.removeprefix("=") or (len(one) >= _INSIDE and one in word) for one in words_of(role)
               if " " not in one)


def names_role(words: tuple[str, ...], role: str) -> bool:
    """Whether the words of a name mean a role, alone or as a phrase."""
    joined = f" {' '.join(words)} "
    return any(is_one_of(word, role) for word in words) or any(
        f" {phrase} " in joined for phrase in words_of(role) if " " in phrase)
