"""What the page says in words: parts of the error and what would cut them, dates, severities."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from snowtally.model.dry_run import FlightUse

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def long_date(date: dt.date) -> str:
    """Return a date in words, whatever the machine's language.

    >>> long_date(dt.date(2031, 4, 14))
    'Monday 14 April 2031'
    """
    return f"{WEEKDAYS[date.weekday()]} {short_date(date)}"


def short_date(date: dt.date) -> str:
    """Return a date in words without its weekday."""
    return f"{date.day} {MONTHS[date.month - 1]} {date.year}"


def short_month(date: dt.date) -> str:
    """Return the name of a date's month in three letters."""
    return MONTHS[date.month - 1][:3]


def share_words(share: float) -> str:
    """Return a share in per cent: 100 and 0 % are the whole and nothing, and no rounding of less and more.

    >>> share_words(0.9996), share_words(1.0), share_words(0.003), share_words(0.46)
    ('99.9 %', '100 %', '0.3 %', '46 %')
    """
    per_cent = f"{100 * share:.0f}"
    if per_cent in ("0", "100") and share not in (0.0, 1.0):
        per_cent = f"{min(max(100 * share, 0.1), 99.9):.1f}"
    return f"{per_cent} %"


def flight_words(flight: FlightUse) -> str:
    """Return in a line what a flight covers."""
    name = f"{flight.flight_id} of {short_date(flight.date)}"
    return f"{name} is refused" if flight.share is None else f"{name} saw {share_words(flight.share)} of the basin"


_DENSITY = "More weighed cores near the date, spread over elevations and sides of the basin"
_FLIGHT = "A flight, or ground depths measured under one on the day it is flown"
_SITES = "More sites, at elevations and exposures that have none: see snowtally plan"

ERROR_PARTS: dict[str, tuple[str, str]] = {
    "density common": ("Density, common to the basin", _DENSITY),
    "density pattern": ("Density's own pattern over the sites", _DENSITY),
    "density local": ("Density from place to place", _DENSITY),
    "flight bias": (
        "Depth offset of the flight, common to the basin",
        "Steady bare ground and ground depths on the day of the flight, to register it by",
    ),
    "flight canopy": ("Depth under trees, common to all of them", "Ground depths under trees on the day of the flight"),
    "flight random": ("Noise of the flight", "A denser laser swath; it averages out over a basin already"),
    "flight": ("An earlier flight, all its errors together", _FLIGHT),
    "void": ("Gaps in the flight", "A flight that covers the gaps"),
    # In days archived up to version 0.1.
    "carry common": ("Snowfall and melt since the flight, common to the basin", _FLIGHT),
    "carry scales": ("Snowfall and melt since the flight, as seen at the sites", _FLIGHT),
    "carry local": ("Snowfall and melt since the flight, from place to place", _FLIGHT),
    "unheard change": (
        "Change that no station reported",
        "A station that reports again, or stations at elevations that have none",
    ),
    "site residual": ("Between the sites", _SITES),
    "terrain line": ("How snow depends on the terrain, known from few sites", f"{_FLIGHT}, or more sites"),
    "melt scale": ("How much has melted where no station stands", f"{_FLIGHT}, or a snow cover image"),
    "melt common": ("How melt differs from what weather and sites show", f"{_FLIGHT}, or a snow cover image"),
    "site offset": ("How sites differ from the ground around them", f"{_FLIGHT}: it sees whole cells"),
    "sites doubted": ("Sites that the terrain's line does not fit", _SITES),
    "snow since seen bare": (
        "Snow since an earlier cover image saw bare ground",
        "A newer snow cover image, or a flight",
    ),
    "snow cover seen": ("Whether ground that a cover image saw bare is bare", _FLIGHT),
    "terrain local": ("Snow from place to place, unseen by any flight", _FLIGHT),
}
"""Parts of `error_budget` in the record, in words, and what would cut each most. A part of another name is told by that."""


def error_part(name: str) -> tuple[str, str]:
    """Return a part of the error, and its cure, in words."""
    return ERROR_PARTS.get(
        name, (name[:1].upper() + name[1:], "See snowtally plan for what would cut the total's error")
    )


COMMANDS = {
    "update": "nightly update",
    "backfill": "backfill of a missing date",
    "rerun": "rerun",
}

CAUTIONS = (
    "Estimates with standard errors, not a flood or runoff forecast.",
    "Releases and flood operations follow the operator's own manual and licensed engineers.",
    "Travel in avalanche ground and flying follow local rules and trained leaders.",
)
"""The cautions of README.md; a test holds them against it."""
