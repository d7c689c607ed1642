"""The basin's UTC offset, and the clock of station times that have none."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from snowtally.proposals.names import names_of
from snowtally.proposals.proposal import FileGroup, Proposal, Refusal

DEGREES_PER_HOUR = 15.0
"""The sun moves so many degrees of longitude in an hour."""

WIDE_HOURS = 2.0
"""No land's standard time is further from its sun than some two hours, but at a few borders (tz database): a wider difference is a slip
of sign or of another place."""

WARMEST_HOUR = 14.5
"""Hour of the sun's own time at which the daily wave of air temperature is highest: between two and three hours after noon (common
practice, no source). Two hours off, and a clock two hours off is proposed."""

CLEAR_HOURS = 1.5
"""The warmest hour must lie so near to the one expected, h: slope and shade move it by up to two hours (as in the check of clocks)."""

APART_HOURS = 3.0
"""Clocks that are less apart cannot be told by the warmest hour, h."""

LEAST_PER_DAY = 4
"""Readings a day from which the daily wave can be told."""

LEAST_DAYS = 10
"""Days whose waves are taken together."""

LEAST_AMPLITUDE_C = 1.0
"""A flatter wave has no clear warmest hour, degrees Celsius."""


def propose_offset(longitude: float, groups: Sequence[FileGroup]) -> Proposal | Refusal:
    """Return the proposal of `basin.utc_offset_hours`.

    Parameters
    ----------
    longitude : of the basin's middle, degrees.
    groups : the station files.

    It is the offset that the station files state where they agree on one near to the sun's, else the longitude's.
    """
    by_sun = longitude / DEGREES_PER_HOUR
    value = _plain(round(by_sun))
    evidence = f"longitude {longitude:.1f} / 15 = {by_sun:.1f}"
    stated = {offset: group for group in groups for offset in group.offsets_hours if offset != 0}
    far = {offset: group for offset, group in stated.items() if abs(offset - by_sun) > WIDE_HOURS}
    if far:
        offset, group = next(iter(far.items()))
        return Refusal(
            group.files[0],
            "",
            f"times have the offset {offset:+g} h, but the basin lies at longitude {longitude:.1f}, where the sun is "
            f"{by_sun:+.1f} h from UTC",
            "Check the offset's sign, and the coordinates of zones and elevation; correct the one that is wrong",
        )
    if len(stated) == 1:
        offset, group = next(iter(stated.items()))
        evidence = f"times in {group.files[0].name} have {offset:+g} h; {evidence}"
        others = () if _plain(offset) == value else (value,)
        return Proposal("basin.utc_offset_hours", _plain(offset), evidence, others)
    listed = f"; station files state {', '.join(f'{offset:+g}' for offset in sorted(stated))} h" if stated else ""
    return Proposal("basin.utc_offset_hours", value, evidence + listed)


def propose_clock(group: FileGroup, offset_hours: float, by_sun: float, readings: pd.DataFrame) -> Proposal:
    """Return the proposal of a file group's `clock`: hours east of UTC.

    Parameters
    ----------
    offset_hours : the basin's.
    by_sun : longitude / 15.
    readings : of the group, its times taken for UTC: site_id, time, air_temperature_c.
    """
    local, universal = _plain(offset_hours), 0
    names = names_of(group)
    if local == universal:
        # Lands at this longitude count by UTC+1 too, and no daily wave tells an hour.
        why = (
            f"{names}: times have no UTC offset. By its longitude the basin's clock is UTC, but the land's may be UTC+1"
        )
        return Proposal("clock", 0, why, (1,), is_safe=False)
    hour = warmest_hour(readings)
    if hour is None or abs(offset_hours) < APART_HOURS:
        why = f"{names}: times have no UTC offset, and no daily wave of air temperature shows their clock"
        return Proposal("clock", local, why, (universal,), is_safe=False)
    # Taken for UTC, local times are warm at WARMEST_HOUR by the clock's own sun.
    sun_lag = offset_hours - by_sun
    off = {clock: _turned(hour - (WARMEST_HOUR + (sun_lag if clock else -by_sun))) for clock in (local, universal)}
    best = min(off, key=lambda clock: abs(off[clock]))
    said = f"{names}: times have no UTC offset; the air is warmest at {_clock_text(hour)} by them"
    other = universal if best == local else local
    if abs(off[best]) <= CLEAR_HOURS and abs(off[other]) - abs(off[best]) >= CLEAR_HOURS:
        which = "UTC" if best == universal else f"UTC{offset_hours:+g}"
        return Proposal("clock", best, f"{said}: they are {which}")
    return Proposal("clock", best, f"{said}, which fits neither UTC nor UTC{offset_hours:+g}", (other,), is_safe=False)


def differing_clocks(group: FileGroup, offset_hours: float, by_sun: float, readings: pd.DataFrame) -> Refusal | None:
    """Return why files written alike have no one clock.

    By the air of each; None where they may.

    Parameters
    ----------
    readings : as for `propose_clock`, with the file of each row.
    """
    files = readings["file"].astype(str)
    by_clock = {
        clock.value: path
        for path in group.files
        if (clock := propose_clock(group, offset_hours, by_sun, readings[files == str(path)])).is_safe
    }
    if len(set(by_clock)) <= 1:
        return None
    (one, first), (other, second), *_ = by_clock.items()
    why = f"its air temperature shows that the times are UTC{one:+g}; that of {second.name} shows UTC{other:+g}"
    return Refusal(first, "", why, "Write the UTC offset behind each time of both")


CONTRADICTED_HOURS = 4.0
"""A clock that a file states is wrong where the air is warmest so far from its hour, h: twice what slope and shade do (as in the check)."""


def contradicted_clock(group: FileGroup, by_sun: float, readings: pd.DataFrame) -> Refusal | None:
    """Return why the clock that a group's files state cannot be theirs, by the daily wave of air temperature; None where it may.

    Parameters
    ----------
    by_sun : longitude / 15.
    readings : of the group, at the instants that the stated clock makes of its times: site_id, time, air_temperature_c.
    """
    hour = warmest_hour(readings)
    off = 0.0 if hour is None else _turned(hour + by_sun - WARMEST_HOUR)
    if hour is None or abs(off) < CONTRADICTED_HOURS:
        return None
    stated = next((f" ({one.evidence})" for one in group.proposals if one.key == "clock"), "")
    return Refusal(
        group.files[0],
        "",
        f"by the clock that the file states{stated} the air is warmest at {_clock_text((hour + by_sun) % 24.0)} of the sun's time, not at "
        f"about {_clock_text(WARMEST_HOUR)}",
        "Look whether the times are local time or UTC: then correct the header, or write hours east of UTC as clock under formats.stations, such "
        f"as `clock: {_plain(round(by_sun))}`",
    )


def warmest_hour(readings: pd.DataFrame) -> float | None:
    """Return the hour at which the air is warmest.

    By the first harmonic of its days; None where no wave shows.
    """
    known = readings.dropna(subset=["air_temperature_c"])
    if known.empty:
        return None
    day = known["time"].dt.floor("D")
    groups = known.groupby(["site_id", day], observed=True)["air_temperature_c"]
    full = known[groups.transform("size") >= LEAST_PER_DAY]
    if (
        full.empty
        or full.groupby("site_id", observed=True)["time"].agg(lambda t: t.dt.date.nunique()).max() < LEAST_DAYS
    ):
        return None
    hour = (full["time"] - full["time"].dt.floor("D")).dt.total_seconds() / 3600.0
    away = full["air_temperature_c"] - full.groupby(["site_id", full["time"].dt.floor("D")], observed=True)[
        "air_temperature_c"
    ].transform("mean")
    wave = complex((away.to_numpy() * np.exp(2j * np.pi * hour.to_numpy() / 24.0)).mean())
    if 2.0 * abs(wave) < LEAST_AMPLITUDE_C:
        return None
    return float(np.angle(wave) * 24.0 / (2.0 * np.pi) % 24.0)


def _turned(hours: float) -> float:
    """Return a difference of hours as -12 to 12."""
    return (hours + 12.0) % 24.0 - 12.0


def _clock_text(hour: float) -> str:
    minutes = round(hour * 60) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _plain(value: float) -> float:
    """Return a whole number as such.

    So that it is written -7 and not -7.0.
    """
    return int(value) if float(value).is_integer() else float(value)
