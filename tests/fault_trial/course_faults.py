"""Faults of course sheets and of the sites table: slips of the scale, the pen and the folder."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from trial_kinds import Kind
from trial_season import Season


def water_mm(sheet: pd.DataFrame) -> pd.Series:
    """Return the water of each row, from the sheet or from the weights."""
    weighed = 10 * (sheet["mass_full_g"] - sheet["mass_empty_g"]) / sheet["cutter_cm2"]
    return sheet["swe_mm"].fillna(weighed)


def write_water(sheet: pd.DataFrame, rows: np.ndarray, water: np.ndarray) -> None:
    """Write other water into rows, in the way that the crew writes it."""
    if sheet["mass_full_g"].notna().any():
        mass = np.round(np.asarray(water) * sheet.loc[rows, "cutter_cm2"] / 10 / 5) * 5
        sheet.loc[rows, "mass_full_g"] = sheet.loc[rows, "mass_empty_g"] + mass
    else:
        sheet.loc[rows, "swe_mm"] = np.round(water)


def some_visit(
    rng: np.random.Generator, sheet: pd.DataFrame, least_cm: float = 40.0, wanted: Callable | None = None
) -> np.ndarray | None:
    """Return the rows of a drawn visit whose median depth is at least so much, as a mask."""
    if not len(sheet):
        return None
    good = [
        day
        for day, visit in sheet.groupby("day")
        if visit["depth_cm"].median() >= least_cm and len(visit) > 4 and (wanted is None or wanted(visit))
    ]
    return (sheet["day"] == good[rng.integers(len(good))]).to_numpy() if good else None


def some_point(rng: np.random.Generator, sheet: pd.DataFrame, least_cm: float = 40.0) -> np.ndarray | None:
    """Return a drawn row of at least so much depth, as a mask."""
    visit = some_visit(rng, sheet, least_cm)
    if visit is None:
        return None
    weighed = water_mm(sheet).notna() & (sheet["depth_cm"] >= least_cm)
    row = rng.choice(np.flatnonzero(visit & weighed.to_numpy()))
    return np.arange(len(sheet)) == row


def _core_weighs(*factors: tuple[float, float]):
    def make(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
        sheet = season.courses[site]
        row = some_point(rng, sheet)
        if row is not None:
            write_water(sheet, row, water_mm(sheet)[row] * rng.uniform(*factors[rng.integers(len(factors))]))
        return row

    return make


def _tare_forgotten(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    rows = some_visit(rng, sheet)
    if rows is None:
        return None
    if sheet["mass_full_g"].notna().any():
        sheet.loc[rows, "mass_empty_g"] = 0.0
    else:
        sheet.loc[rows, "swe_mm"] += np.round(10 * sheet.loc[rows, "true_empty_g"] / sheet.loc[rows, "true_cutter_cm2"])
    return rows


def _full_for_empty(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    rows = some_visit(rng, sheet, 20.0, lambda visit: visit["mass_full_g"].notna().any())
    if rows is not None:
        names = ["mass_full_g", "mass_empty_g"]
        sheet.loc[rows, names] = sheet.loc[rows, names[::-1]].to_numpy(copy=True)
    return rows


def _depth_in_inches(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    rows = some_visit(rng, sheet)
    if rows is not None:
        sheet.loc[rows, ["depth_cm", "core_cm"]] = np.round(sheet.loc[rows, ["depth_cm", "core_cm"]] / 2.54 * 2) / 2
    return rows


def _point_in_inches(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    row = some_point(rng, sheet, 60.0)
    if row is not None:
        sheet.loc[row, "depth_cm"] = np.round(sheet.loc[row, "depth_cm"] / 2.54 * 2) / 2
    return row


def _water_in_inches(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    rows = some_visit(rng, sheet, 40.0, lambda visit: visit["swe_mm"].notna().any())
    if rows is not None:
        sheet.loc[rows, "swe_mm"] = np.round(sheet.loc[rows, "swe_mm"] / 25.4, 1)
    return rows


def _core_too_long(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    if not len(sheet) or sheet["core_cm"].isna().all():
        return None
    row = some_point(rng, sheet)
    if row is not None:
        sheet.loc[row, "core_cm"] = np.round(sheet.loc[row, "depth_cm"] * rng.uniform(1.25, 1.5))
    return row


def _soil_plug(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    if not len(sheet) or sheet["core_cm"].isna().all():
        return None
    row = some_point(rng, sheet)
    if row is not None:
        sheet.loc[row, "core_cm"] = sheet.loc[row, "depth_cm"] + rng.integers(3, 7)
        write_water(sheet, row, water_mm(sheet)[row] * rng.uniform(1.15, 1.25))
    return row


def _row_twice(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    row = some_point(rng, sheet, 10.0)
    if row is None:
        return None
    place = int(np.flatnonzero(row)[0])
    season.courses[site] = pd.concat([sheet[: place + 1], sheet[place:]], ignore_index=True)
    return np.isin(np.arange(len(sheet) + 1), [place, place + 1])


def _sent_again(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Send a visit again in a later file, two of its points corrected."""
    sheet = season.courses[site]
    rows = some_visit(rng, sheet)
    if rows is None:
        return None
    again = sheet[rows].reset_index(drop=True)
    for place in rng.choice(np.flatnonzero(water_mm(again).notna()), 2, replace=False):
        one = np.arange(len(again)) == place
        again.loc[one, "depth_cm"] += float(rng.choice([-4, -3, 3, 4]))
        write_water(again, one, water_mm(again)[one] * rng.uniform(1.02, 1.06))
    season.late_courses.append(again)
    return rows


def _anothers_sheet(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Put another course's sheet of the same month in this one's place, its water at least 30 % away."""
    sheet = season.courses[site]
    for other in rng.permutation(sorted(set(season.courses) - {site})):
        theirs = season.courses[other]
        if not len(theirs) or theirs["planted"].any():
            continue
        rows = some_visit(rng, sheet)
        if rows is None:
            return None
        month = sheet.loc[rows, "nominal_date"].iloc[0], sheet.loc[rows, "day"].iloc[0]
        near = (theirs["day"] - month[1]).abs() <= pd.Timedelta(days=8)
        if not near.any() or abs(np.log(water_mm(theirs[near]).mean() / water_mm(sheet[rows]).mean())) < np.log(1.3):
            continue
        put = theirs[near].assign(site_id=site)
        place = int(np.flatnonzero(rows)[0])
        rest = sheet[~rows]
        season.courses[site] = pd.concat([rest[:place], put, rest[place:]], ignore_index=True)
        number = np.arange(len(rest) + len(put))
        return (number >= place) & (number < place + len(put))
    return None


def _redated(change: Callable[[np.random.Generator, pd.Timestamp], str]):
    def make(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
        sheet = season.courses[site]
        rows = some_visit(rng, sheet, 20.0, lambda visit: (visit["nominal_date"] != "").all())
        if rows is not None:
            sheet.loc[rows, "date"] = change(rng, sheet.loc[rows, "day"].iloc[0])
        return rows

    return make


def _month_off(rng: np.random.Generator, day: pd.Timestamp) -> str:
    return str((day + pd.DateOffset(months=int(rng.choice([-1, 1])))).date())


def _year_off(rng: np.random.Generator, day: pd.Timestamp) -> str:
    return str((day + pd.DateOffset(years=int(rng.choice([-1, 1])))).date())


def _no_such_day(rng: np.random.Generator, day: pd.Timestamp) -> str:
    return [f"{day.year}-02-30", f"{day.year}-13-{day.day:02d}", f"{day.year}-04-31"][rng.integers(3)]


def _depth_tenfold(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    row = some_point(rng, sheet, 20.0)
    if row is not None:
        sheet.loc[row, "depth_cm"] *= 10
    return row


def _no_depth(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    row = some_point(rng, sheet)
    if row is not None:
        sheet.loc[row, "depth_cm"] = 0.0
    return row


def _tube_empty(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    sheet = season.courses[site]
    row = some_point(rng, sheet)
    if row is not None:
        write_water(sheet, row, np.zeros(1))
    return row


def _elevation_in_feet(rng: np.random.Generator, season: Season, site: str) -> np.ndarray:  # noqa: ARG001  all do the same
    metres = season.sites.set_index("site_id").loc[site, "elevation_m"]
    season.site_changes[site] = {"elevation_m": float(np.round(metres / 0.3048))}
    return np.zeros(0, bool)


def _sign_lost(rng: np.random.Generator, season: Season, site: str) -> np.ndarray:  # noqa: ARG001
    season.site_changes[site] = {"longitude": 32.9}
    return np.zeros(0, bool)


def _no_such_kind(rng: np.random.Generator, season: Season, site: str) -> np.ndarray:
    season.site_changes[site] = {"kind": str(rng.choice(["pillow", "", "statoin"]))}
    return np.zeros(0, bool)


_DENSITY = ("impossible density", "density against season", "sample against its course")

COURSE_KINDS = (
    Kind("core twice too heavy", "2 times", "courses", True, _DENSITY, _core_weighs((2.0, 2.3))),
    Kind("core half too light", "half", "courses", True, _DENSITY, _core_weighs((0.4, 0.5))),
    Kind("core 15 % off", "15 %", "courses", False, _DENSITY, _core_weighs((1.15, 1.2), (0.8, 0.85))),
    Kind("tare forgotten", "the tube, 800 g", "courses", True, ("wrong tare", *_DENSITY), _tare_forgotten),
    Kind("full for empty", "a visit", "courses", True, ("wrong tare", "negative"), _full_for_empty),
    Kind("depths in inches", "a visit over 40 cm", "courses", True, ("unit mix-up", *_DENSITY), _depth_in_inches),
    Kind("one depth in inches", "60 cm", "courses", True, ("unit mix-up", "core longer than depth", *_DENSITY),
         _point_in_inches),
    Kind("SWE in inches", "a visit over 40 cm", "courses", True, ("unit mix-up", *_DENSITY), _water_in_inches),
    Kind("core longer than depth", "25 %", "courses", True, ("core longer than depth", "soil in the core"),
         _core_too_long),
    Kind("soil plug", "15 %, 3 cm", "courses", False, ("soil in the core", "core longer than depth", *_DENSITY), _soil_plug),
    Kind("row twice", "a row", "courses", True, ("duplicate",), _row_twice),
    Kind("sheet sent again", "a visit, 2 points changed", "courses", True, ("sheet sent again", "duplicate"), _sent_again),
    Kind("another course's sheet", "30 % apart", "courses", False, ("course against its neighbours",
         "course against its last visit", "sheet sent again", "duplicate"), _anothers_sheet),
    Kind("date a month off", "nominal date given", "courses", True, ("date far from nominal", "future date"),
         _redated(_month_off)),
    Kind("date a year off", "nominal date given", "courses", True, ("date far from nominal", "future date",
         "impossible date"), _redated(_year_off)),
    Kind("no such day", "a visit", "courses", True, ("impossible date", "no site or date", "unreadable value"),
         _redated(_no_such_day)),
    Kind("depth typed tenfold", "20 cm", "courses", True, ("unit mix-up", "out of range", *_DENSITY), _depth_tenfold),
    Kind("SWE typed tenfold or a tenth", "10 times", "courses", True, ("unit mix-up", "out of range", *_DENSITY),
         _core_weighs((10, 10), (0.1, 0.1))),
    Kind("depth 0 with water", "40 cm", "courses", True, ("water without depth",), _no_depth),
    Kind("tube weighed empty", "40 cm", "courses", True, ("depth without water", "empty sample"), _tube_empty),
    Kind("elevation in feet", "1500 m", "sites", True, ("elevation against terrain", "elevation contradicts the terrain"),
         _elevation_in_feet),
    Kind("sign of longitude lost", "the map's other side", "sites", True, ("outside the margin", "site beyond the margin"),
         _sign_lost),
    Kind("no such kind of site", "one word", "sites", True, ("unusable site",), _no_such_kind),
)  # fmt: skip
