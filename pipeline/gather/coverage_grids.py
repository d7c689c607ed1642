"""An earlier revision's grids held against those read now: terrain, flights and grids seen from above that are lost or others."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import xarray as xr

from snowtally.gather.coverage import Limits
from snowtally.model.problems import Finding
from snowtally.model.rules import before as rules
from snowtally.model.rules.rule import Rule, Severity

MOST_AREA_CHANGE = 0.01
"""A zone's outline that moves by more than this share of the basin moves its volume likewise: somebody is to look at it."""

HEIGHT_M, CANOPY, FRACTION, DEPTH_M = 20.0, 0.2, 0.2, 0.3
"""Changes below these are none: of elevation (m), canopy cover and snow-covered fraction, and of a flight's depth (m), which may
be processed again. Well above the errors of such grids, well below another unit or another file (chosen)."""

DEPTH_RELATIVE = 0.2
"""Share of a flight's depth below which a change is none."""


@dataclass(frozen=True)
class SeenAlbedo:
    """What was seen of the albedo of late.

    Parameters
    ----------
    fields : `snow_albedo` and `age_days` on (y, x).
    date : the day up to which `age_days` counts.
    """

    fields: xr.Dataset
    date: dt.date

    def seen_on(self) -> np.ndarray:
        """Return the day on which each cell was seen, as a number."""
        return self.date.toordinal() - self.fields["age_days"].to_numpy()


@dataclass(frozen=True)
class Bounds:
    """Bounds below which a change does not count.

    `least` is in the unit of the value, and `share` is a share of the value. The larger bound counts.
    """

    least: float
    share: float = 0.0


@dataclass(frozen=True)
class ComparedGrids:
    """Grids of a revision, or the grids that are read now.

    They hold what both dates may use.

    Parameters
    ----------
    terrain : what is fixed on the grid; None where it is the same now.
    flights : by flight_id those flown in the season on days that both dates may use.
    covers : snow-cover grids by day, likewise.
    albedo : what was seen of late; None where there is none.
    """

    terrain: xr.Dataset | None
    flights: Mapping[str, xr.Dataset]
    covers: Mapping[dt.date, xr.Dataset]
    albedo: SeenAlbedo | None = None


@dataclass(frozen=True)
class Files:
    """The files that findings name, by what they hold."""

    zones: str
    elevation: str
    canopy: str
    flights: str
    covers: str


@dataclass(frozen=True)
class _About:
    """A finding's grid, and the revision that it is compared with."""

    revision: str
    table: str
    file: str
    site_id: str = ""
    day: str = ""

    def finding(self, rule: Rule, evidence: str) -> Finding:
        return Finding(
            rule, self.table, self.file, site_id=self.site_id, start=self.day, end=self.day, evidence=evidence
        )


def grids_held_against(
    revision: str, grids: tuple[ComparedGrids, ComparedGrids], files: Files, limits: Limits, noticed: list[Finding]
) -> list[Finding]:
    """Return findings on grids lost or changed since a revision.

    Parameters
    ----------
    revision : its name.
    grids : those of the revision, and those read now.
    noticed : the findings of reading; a flight or grid that they name is no finding here.
    """
    was, now = grids
    findings = []
    if was.terrain is not None and now.terrain is not None:
        findings += _terrain(revision, (was.terrain, now.terrain), files, limits, noticed)
    flights = {f.site_id for f in noticed if f.table == "flights" and f.severity is Severity.ERROR}
    for name, before in was.flights.items():
        if name in flights:
            continue
        about = _About(revision, "flights", files.flights, site_id=name)
        later = now.flights.get(name)
        if later is None:
            words = f"flight {name} was used on {revision} and is there no more"
            findings.append(about.finding(rules.LOST_GRID, words))
        else:
            pair = (before["depth"], later["depth"])
            findings += _other(f"depth of {name}", pair, about, Bounds(DEPTH_M, DEPTH_RELATIVE), limits)
    days = {f.start for f in noticed if f.table == "covers" and f.severity is Severity.ERROR}
    for day, before in was.covers.items():
        if str(day) in days:
            continue
        about = _About(revision, "covers", files.covers, day=str(day))
        later = now.covers.get(day)
        if later is None:
            words = f"the snow-cover grid of {day} was used on {revision} and is there no more"
            findings.append(about.finding(rules.LOST_GRID, words))
        else:
            pair = (before["snow_cover_fraction"], later["snow_cover_fraction"])
            findings += _other(f"snow cover of {day}", pair, about, Bounds(FRACTION), limits)
    return findings + _albedo(revision, (was.albedo, now.albedo), files, limits)


def _other(
    described: str, pair: tuple[xr.DataArray, xr.DataArray], about: _About, bounds: Bounds, limits: Limits
) -> list[Finding]:
    """Return the finding that a grid covers fewer cells or changed, if so.

    Parameters
    ----------
    described : what the grid holds, in words.
    pair : the revision's grid, and the one read now.
    """
    was, now = (grid.to_numpy() for grid in pair)
    if was.shape != now.shape:
        return []
    seen, both = np.isfinite(was), np.isfinite(was) & np.isfinite(now)
    if both.sum() < limits.least_share * seen.sum():
        words = f"{described}: {int(both.sum())} of {int(seen.sum())} cells seen on {about.revision} have a value now"
        return [about.finding(rules.FEWER_CELLS, words)]
    other = np.abs(now[both] - was[both]) > np.maximum(bounds.least, bounds.share * np.abs(was[both]))
    # Cells without snow stay as they are in any unit.
    snow = (was[both] > 0) | (now[both] > 0)
    if snow.any() and other[snow].mean() > limits.most_changed:
        words = (
            f"{described}: {other[snow].mean():.0%} of the cells with snow hold other values than on {about.revision}"
        )
        return [about.finding(rules.CHANGED_CELLS, words)]
    return []


def _albedo(
    revision: str, pair: tuple[SeenAlbedo | None, SeenAlbedo | None], files: Files, limits: Limits
) -> list[Finding]:
    """Return the finding that many cells have an older albedo, or none, if so."""
    was, now = pair
    if was is None:
        return []
    seen = was.seen_on()
    later = np.full(seen.shape, -np.inf) if now is None else np.nan_to_num(now.seen_on(), nan=-np.inf)
    known = np.isfinite(seen)
    if seen.shape != later.shape or not known.any():
        return []
    lost = (later < seen)[known]
    if lost.mean() <= 1 - limits.least_share:
        return []
    about = _About(revision, "covers", files.covers)
    return [
        about.finding(rules.LOST_GRID, f"snow albedo: {lost.mean():.0%} of the cells lost what was seen on {revision}")
    ]


def _terrain(
    revision: str, pair: tuple[xr.Dataset, xr.Dataset], files: Files, limits: Limits, noticed: list[Finding]
) -> list[Finding]:
    """Return findings on zones, elevation and canopy."""
    was, now = pair
    findings = _zones(revision, pair, files)
    if was["elevation"].shape != now["elevation"].shape or not all(np.allclose(was[a], now[a]) for a in ("x", "y")):
        return findings
    inside = was["inside_fraction"].to_numpy() > 0
    # A note on the elevation, such as voids that are filled every night, explains no other heights.
    doubted_files = {finding.file for finding in noticed if finding.severity is Severity.ERROR}
    for name, least, file in (("elevation", HEIGHT_M, files.elevation), ("canopy", CANOPY, files.canopy)):
        one, other = (dataset[name].to_numpy()[inside] for dataset in pair)
        about = _About(revision, "terrain", file)
        if file in doubted_files:
            continue
        share = float((np.abs(other - one) > least).mean())
        if name == "canopy" and one.any() and not other.any():
            findings.append(about.finding(rules.LOST_GRID, f"the canopy read on {revision} is there no more"))
        elif share > 1 - limits.least_share:
            words = f"{name}: {share:.0%} of the basin's cells hold other values than on {revision}"
            findings.append(about.finding(rules.CHANGED_CELLS, words))
    return findings


def _zones(revision: str, pair: tuple[xr.Dataset, xr.Dataset], files: Files) -> list[Finding]:
    """Return findings on zones that are missing now, or whose area is another."""
    was, now = (_areas(dataset) for dataset in pair)
    about = _About(revision, "zones", files.zones)
    gone = sorted(set(was) - set(now))
    if gone:
        return [about.finding(rules.LOST_GRID, f"zones read on {revision} are missing now: {', '.join(gone)}")]
    basin = sum(was.values())
    moved = {zone: abs(now.get(zone, 0.0) - was.get(zone, 0.0)) for zone in {*was, *now}}
    if sum(moved.values()) > MOST_AREA_CHANGE * basin:
        words = f"the basin has {sum(now.values()) / 1e6:.4g} km2, on {revision} it had {basin / 1e6:.4g} km2"
        zone = max(moved, key=lambda zone: moved[zone])
        words += f"; zone {zone} has {now[zone] / 1e6:.4g} km2 instead of {was.get(zone, 0.0) / 1e6:.4g} km2"
        return [about.finding(rules.CHANGED_CELLS, words)]
    return []


def _areas(terrain: xr.Dataset) -> dict[str, float]:
    """Return the ground area of each zone, in m2.

    A whole cell counts for the zone that has most of it.
    """
    zone, area = terrain["zone"].to_numpy().astype(int), terrain["cell_area"].to_numpy()
    return {
        str(zone_id): float(area[zone == number].sum())
        for number, (zone_id, _) in enumerate(terrain.attrs["zones"], start=1)
    }
