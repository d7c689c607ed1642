"""Positions as people write them: degrees and minutes, and eastings and northings of a declared coordinate system."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyarrow as pa
from pyproj import CRS, Transformer

from snowtally.inputs import values
from snowtally.inputs.units import MINUTES, Conversion

_MARKS = str.maketrans(
    dict.fromkeys("\u00b0\u00ba\u02da:", " ")  # degrees
    | dict.fromkeys("'\u2032\u2018\u2019", " ")  # minutes
    | dict.fromkeys('"\u2033\u201d', " ")  # seconds
)
"""What people write after degrees, minutes and seconds."""


@dataclass(frozen=True)
class Compass:
    """The letters of a direction.

    Parameters
    ----------
    letters : of the positive and the negative direction, "EW" or "NS".
    words : what other letters of the file mean, by the small letter: O is west in Spanish and French, east in German.
    """

    letters: str
    words: Mapping[str, str] = field(default_factory=dict)

    def letter(self, written: str) -> str:
        """Return the letter of `letters` that a written one means; itself where it is none."""
        return self.words.get(written.casefold(), written)


def angles(
    text: pa.Array, compass: Compass, writing: values.Writing, conversion: Conversion
) -> tuple[np.ndarray, np.ndarray]:
    """Return angles in degrees, and a mask of texts that are none.

    A number is in the declared unit. Degrees with minutes, and any with a letter of the compass, are known by that: 46°12'30"N,
    46 12.5 N, -46:12:30.

    Parameters
    ----------
    text : Arrow strings, null where there is no value.
    compass : the letters of the column's two directions.
    """
    numbers, wrong = values.numbers(text, writing)
    degrees = conversion.of(numbers)
    wrong |= np.isfinite(numbers) & ~np.isfinite(degrees)
    for row in np.flatnonzero(wrong):
        degrees[row] = _angle(text[int(row)].as_py(), compass, writing.decimal, conversion)
    return degrees, wrong & ~np.isfinite(degrees)


def _angle(text: str, compass: Compass, decimal: str, conversion: Conversion) -> float:
    r"""Return the angle of a text, degrees; NaN where it is none.

    >>> [round(_angle(text, Compass("NS"), ".", Conversion()), 4) for text in ("46°12'30\"N", "46 12.5 S", "-46:12:30", "46:61", "46 12 W")]
    [46.2083, -46.2083, -46.2083, nan, nan]
    >>> [_angle("70°30'O", Compass("EW", words), ".", Conversion()) for words in ({"o": "W"}, {"o": "E"}, {})]
    [-70.5, 70.5, nan]
    """
    number = rf"(\d+(?:\{decimal}\d*)?)"
    pattern = rf"([+-]?)([^\W\d_]?) ?{number}(?: {number})?(?: {number})? ?([^\W\d_]?)"
    fits = re.fullmatch(pattern, " ".join(text.upper().translate(_MARKS).split()))
    if fits is None:
        return np.nan
    sign, *written, after = fits.groups(default="")
    before, after = compass.letter(written.pop(0)), compass.letter(after)
    parts = [float(part.replace(decimal, ".")) for part in written if part]
    whole = all(part == int(part) for part in parts[:-1])
    if (
        len(sign + before + after) > 1
        or not set(before + after) <= set(compass.letters)
        or not whole
        or any(part >= MINUTES for part in parts[1:])
    ):
        return np.nan
    size = float(conversion.of(parts[0])) if len(parts) == 1 else sum(part / MINUTES**n for n, part in enumerate(parts))
    return -size if compass.letters[1] in before + after or sign == "-" else size


def in_degrees(rows: pd.DataFrame, crs: str) -> pd.DataFrame:
    """Return rows whose longitude and latitude are eastings and northings of `crs`, in degrees of WGS 84.

    Both are missing where the system has no such place.
    """
    longitude, latitude = Transformer.from_crs(CRS(crs), "EPSG:4326", always_xy=True).transform(
        rows["longitude"].to_numpy(), rows["latitude"].to_numpy()
    )
    known = np.isfinite(longitude) & np.isfinite(latitude)
    return rows.assign(longitude=np.where(known, longitude, np.nan), latitude=np.where(known, latitude, np.nan))
