"""Positions as people write them: degrees and minutes, and eastings and northings of a declared coordinate system."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pyarrow as pa
from pyproj import CRS, Transformer

from pipeline.inputs import values
from pipeline.inputs.units import MINUTES, Conversion

_MARKS = str.maketrans(
    dict.fromkeys("\u00b0\u00ba\u02da:", " ")  # degrees
    | dict.fromkeys("'\u2032\u2018\u2019", " ")  # minutes
    | dict.fromkeys('"\u2033\u201d', " ")  # seconds
)
"""What people write after degrees, minutes and seconds."""


def angles(
    text: pa.Array, letters: str, writing: values.Writing, conversion: Conversion
) -> tuple[np.ndarray, np.ndarray]:
    """Return angles in degrees, and a mask of texts that are none.

    A number is in the declared unit. Degrees with minutes, and any with a letter of the compass, are known by that: 46°12'30"N,
    46 12.5 N, -46:12:30.

    Parameters
    ----------
    text : Arrow strings, null where there is no value.
    letters : the letters of the positive and the negative direction, "EW" or "NS".
    """
    numbers, wrong = values.numbers(text, writing)
    degrees = conversion.of(numbers)
    wrong |= np.isfinite(numbers) & ~np.isfinite(degrees)
    for row in np.flatnonzero(wrong):
        degrees[row] = _angle(text[int(row)].as_py(), letters, writing.decimal, conversion)
    return degrees, wrong & ~np.isfinite(degrees)


def _angle(text: str, letters: str, decimal: str, conversion: Conversion) -> float:
    r"""Return the angle of a text, degrees; NaN where it is none.

    >>> [round(_angle(text, "NS", ".", Conversion()), 4) for text in ("46°12'30\"N", "46 12.5 S", "-46:12:30", "46:61", "46 12 W")]
    [46.2083, -46.2083, -46.2083, nan, nan]
    """
    number = rf"(\d+(?:\{decimal}\d*)?)"
    pattern = rf"([+-]?)([{letters}]?) ?{number}(?: {number})?(?: {number})? ?([{letters}]?)"
    fits = re.fullmatch(pattern, " ".join(text.upper().translate(_MARKS).split()))
    if fits is None:
        return np.nan
    sign, before, *written, after = fits.groups(default="")
    parts = [float(part.replace(decimal, ".")) for part in written if part]
    whole = all(part == int(part) for part in parts[:-1])
    if len(sign + before + after) > 1 or not whole or any(part >= MINUTES for part in parts[1:]):
        return np.nan
    size = float(conversion.of(parts[0])) if len(parts) == 1 else sum(part / MINUTES**n for n, part in enumerate(parts))
    return -size if letters[1] in before + after or sign == "-" else size


def in_degrees(rows: pd.DataFrame, crs: str) -> pd.DataFrame:
    """Return rows whose longitude and latitude are eastings and northings of `crs`, in degrees of WGS 84.

    Both are missing where the system has no such place.
    """
    longitude, latitude = Transformer.from_crs(CRS(crs), "EPSG:4326", always_xy=True).transform(
        rows["longitude"].to_numpy(), rows["latitude"].to_numpy()
    )
    known = np.isfinite(longitude) & np.isfinite(latitude)
    return rows.assign(longitude=np.where(known, longitude, np.nan), latitude=np.where(known, latitude, np.nan))
