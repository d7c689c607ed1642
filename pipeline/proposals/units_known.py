"""Units as people write them in headers: beside the name.

In brackets, or in a line below it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

LENGTH, WATER, MASS, AREA, TEMPERATURE, ENERGY, DENSITY, ANGLE, SHARE = (
    "length",
    "water",
    "mass",
    "area",
    "temperature",
    "energy",
    "density",
    "angle",
    "share",
)
"""What a unit measures; water is a mass over an area, which is a depth of water."""


@dataclass(frozen=True)
class Unit:
    """A unit as the settings spell it, and what it measures."""

    name: str
    measures: str


_SPELT = {
    Unit("mm", LENGTH): "mm millimeter millimeters millimetre millimetres milimetro milimetros millimetro millimetri",
    Unit(
        "cm", LENGTH
    ): "cm cms centimeter centimeters centimetre centimetres zentimeter centimetro centimetros centimetri",
    Unit("dm", LENGTH): "dm decimeter decimetre dezimeter decimetro",
    Unit("m", LENGTH): (
        "m meter meters metre metres metro metros metri masl mamsl mum muem munn msnm mslm moh mosl mnn abovesealevel"
    ),
    Unit(
        "inch", LENGTH
    ): "in ins inch inches zoll pouce pouces po pulgada pulgadas pollice pollici tomme tommer inwe inh2o",
    Unit("foot", LENGTH): "ft foot feet fuss pied pieds pi pie pies piede piedi fot ftasl",
    Unit("kg/m**2", WATER): "kgm2 lm2 mmkgm2",
    Unit("g", MASS): "g gr gram grams gramm gramme grammes gramo gramos grammo grammi",
    Unit("kg", MASS): "kg kilo kilogram kilograms kilogramm kilogramme kilogrammes kilogramo kilogrammo kilogrammi",
    Unit("ounce", MASS): "oz ounce ounces unze unzen once onces onza onzas oncia once unse",
    Unit("pound", MASS): "lb lbs pound pounds pfund livre livres libra libras libbra libbre pund",
    Unit("cm**2", AREA): "cm2 sqcm squarecm qcm cmq",
    Unit("mm**2", AREA): "mm2 sqmm qmm",
    Unit("inch**2", AREA): "in2 sqin squareinch squareinches inch2",
    Unit("degC", TEMPERATURE): "c degc celsius degcelsius degreesc gradc gradcelsius degrec degreescelsius oc",
    Unit("degF", TEMPERATURE): "f degf fahrenheit degfahrenheit degreesf gradf degreesfahrenheit",
    Unit("kelvin", TEMPERATURE): "k kelvin degk",
    Unit("MJ/m**2", ENERGY): "mjm2 mjm2d mjm2day mjm2d1 mjm2tag mjm2jour mjm2dia mjm2day1 mjm2giorno mjm2dogn",
    Unit("W*day/m**2", ENERGY): "wm2 wattm2 wattsm2",
    Unit("kW*hour/m**2", ENERGY): "kwhm2 kwhm2d kwhm2day",
    Unit("J/cm**2", ENERGY): "jcm2",
    Unit("kg/m**3", DENSITY): "kgm3",
    Unit("g/cm**3", DENSITY): "gcm3 gcc",
    Unit("degree", ANGLE): "deg degree degrees dd decimaldegrees grad grados gradi grader",
    Unit("percent", SHARE): "percent pct prozent",
}
"""Spellings in letters and digits alone, several languages (common practice)."""

KNOWN = {word: unit for unit, words in _SPELT.items() for word in words.split()}

_OF_WATER = re.compile(r"(?<=m|n)(we|weq|h2o|swe|water|ee|wa)$")
"""Millimetres or inches "of water" are millimetres or inches."""

_IN_WORDS = {"in", "en", "i", "im", "als"}
"""Words that stand before a unit: "depth in cm"."""

MOST_UNIT_WORDS = 4
"""Words that a unit without brackets has at most: "m a s l"."""


def folded(text: str) -> str:
    """Return text in small letters without accents.

    >>> folded("Schneehöhe [cm]"), folded("cm²"), folded("Snødybde")
    ('schneehohe [cm]', 'cm2', 'snodybde')
    """
    plain = unicodedata.normalize("NFKD", text.replace("º", "°").casefold())
    return "".join(c for c in plain if not unicodedata.combining(c)).replace("ø", "o").replace("æ", "ae")


def unit_of(text: str) -> Unit | None:
    """Return the unit that a piece of text is.

    None where it is none.

    >>> unit_of("°F").name, unit_of("kg m-2").name, unit_of("mm w.e.").name, unit_of("m a.s.l.").name
    ('degF', 'kg/m**2', 'mm', 'm')
    """
    plain = folded(text).strip()
    for mark, word in (("°", "deg"), ("%", "percent"), ("''", "in"), ('"', "in"), ("'", "ft")):
        plain = plain.replace(mark, word)
    compact = re.sub(r"[^a-z0-9]", "", plain)
    return KNOWN.get(compact) or KNOWN.get(_OF_WATER.sub("", compact))


@dataclass(frozen=True)
class HeaderWords:
    """A header's words, folded, and the unit that it holds.

    Parameters
    ----------
    words : without the unit and the coordinate system.
    unit : None where none stands there.
    unit_text : how the unit is spelt there.
    crs : EPSG code of a coordinate system; empty where none stands there.
    """

    words: tuple[str, ...]
    unit: Unit | None = None
    unit_text: str = ""
    crs: str = ""


def header_words(header: str) -> HeaderWords:
    """Return a header's words and its unit.

    >>> header_words("Snow Depth (in)")
    HeaderWords(words=('snow', 'depth'), unit=Unit(name='inch', measures='length'), unit_text='in', crs='')
    >>> header_words("elevFt").unit.name, header_words("HS_cm").words, header_words("Höhe, m ü.M.").unit.name
    ('foot', ('hs',), 'm')
    >>> header_words("Øst (EPSG:25831)").words, header_words("Øst (EPSG:25831)").crs
    (('ost',), 'EPSG:25831')
    """
    named = _EPSG.search(header)
    crs = "" if named is None else f"EPSG:{named[1]}"
    header = header if named is None else header.replace(named[0], " ")
    unit, unit_text, rest = None, "", header
    for bracket in re.finditer(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]", header):
        if (known := unit_of(bracket[1])) is not None:
            unit, unit_text = known, bracket[1].strip()
            rest = header.replace(bracket[0], " ")
    words = _split(rest)
    if unit is None:
        for many in range(min(MOST_UNIT_WORDS, len(words) - 1), 0, -1):
            text = " ".join(words[-many:])
            if (unit := unit_of(text)) is not None:
                unit_text, words = text, words[:-many]
                break
        if unit is not None and len(words) > 1 and folded(words[-1]) in _IN_WORDS:
            words = words[:-1]
    return HeaderWords(tuple(folded(word) for word in words), unit, unit_text, crs)


_EPSG = re.compile(r"EPSG[:\s_-]*(\d{4,5})", re.IGNORECASE)
"""A coordinate system by its code in the registry of EPSG."""


def _split(text: str) -> list[str]:
    """Return the words of a header.

    At blanks and marks, and where small letters meet capitals.
    """
    text = re.sub(r"(?<=[a-zà-ÿ0-9])(?=[A-Z])", " ", text)
    # Capitals that a unit follows: HScm, SWEmm.
    text = re.sub(r"(?<=[A-Z]{2})(?=(?:mm|cm|m|in|ft)\b)", " ", text)
    return re.findall(r"°\s*[A-Za-z]|[^\W_]+", text)


_OF_UNITS = re.compile(r"\b(?:units?|einheit(?:en)?|unit[eéà]s?|unidad(?:es)?|enhet(?:er)?)\b", re.IGNORECASE)

_OF_HEIGHTS = re.compile(r"elev|altit|(?<!schnee)h(?:ö|oe)he\b|quota|cota|m ?a\.?s\.?l|\barea\b|fläche", re.IGNORECASE)
"""Lines about where a site lies: their unit is no column's."""


def units_said(lines: Sequence[str]) -> frozenset[str]:
    """Return the units that lines above a header name.

    In brackets, behind the word in, or in a line about units.

    Other words are prose: `in the upper valley` names no inches, and `at 7600 ft` is the height of a place.

    >>> sorted(units_said(["Depth in cm, SWE [mm]", "Snow courses in the upper valley", "Elevation: 7600 ft"]))
    ['cm', 'mm']
    """
    said = set()
    for line in lines:
        if _OF_HEIGHTS.search(line):
            continue
        texts = re.findall(r"[(\[]([^()\[\]]*)[)\]]|\b(?:in|en)\s+(\w+)", line, re.IGNORECASE)
        words = [one for pair in texts for one in pair if one]
        if _OF_UNITS.search(line):
            words += re.findall(r"[^\W_]+", line)
        said |= {unit.name for word in words if len(word) > 1 and (unit := unit_of(word)) is not None}
    return frozenset(said)
