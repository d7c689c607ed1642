"""A past day's map given the flights that came after it. No command asks for it yet; docs/method.md tells what it gains."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from snowtally.estimate.day_inputs import Choices, DayInputs
from snowtally.estimate.estimate import derived, season_flights
from snowtally.estimate.swe_map import MapOfDay, SweMap
from snowtally.snow.background import CarriedFlight
from snowtally.snow.carry import Pattern
from snowtally.snow.cell_error import Prediction
from snowtally.snow.flight_swe import Flown
from snowtally.snow.smoothing import LaterFlight, ShapeErrors, Smoothed, covered_after, smoothed
from snowtally.statistics.totals import ZoneBands

STEP_MM = 10.0
"""The slope of a forecast is its change with so much more SWE on the day, mm: little beside a snowpack, and enough to find cells that
a forecast leaves only just bare."""


@dataclass(frozen=True)
class WholeSeason:
    """What is known of a season at a later day.

    It is made once for all past days: the inputs as `derived` gives them, and the flights.
    """

    inputs: DayInputs
    flights: list[Flown]
    choices: Choices

    @classmethod
    def of(cls, inputs: DayInputs, choices: Choices) -> WholeSeason:
        """Return the season up to the day of the inputs."""
        inputs = derived(inputs, choices)
        return cls(inputs, season_flights(inputs, choices), choices)


def smoothed_map(day_map: MapOfDay, season: WholeSeason) -> MapOfDay:
    """Return a past day's map corrected by later flights.

    Each zone-band keeps its volume.

    Parameters
    ----------
    day_map : the day as `map_of_day` gives it.
    season : the same basin and season at a later day.

    Notes
    -----
    Each cell follows the first later flight that saw it. A zone-band keeps its volume, and its volume the error that it had: the
    map's error parts stay, while the standard error of cells falls. What a flight saw on the day itself stays as it is.
    """
    inputs, today = day_map.inputs, day_map.today
    if today.flown is not None:
        return day_map
    units = ZoneBands(inputs.day.basin_id, inputs.basin.zone_ids, inputs.basin.bands)
    zone_band = units.numbers(inputs.basin.terrain["zone"].to_numpy(), inputs.basin.terrain["band"].to_numpy())
    area = inputs.basin.terrain["cell_area"].to_numpy()
    errors, asked = ShapeErrors.of(today.parts, area.shape), area > 0
    for flown in season.flights:
        if flown.date > inputs.day.date and (asked & flown.seen).any():
            later = _beside_forecast(flown, asked, day_map, season)
            today = _moved(today, smoothed(today.swe_mm, errors, later, zone_band, area))
            asked = asked & ~flown.seen
    return replace(day_map, today=today)


def _moved(today: SweMap, moved: Smoothed) -> SweMap:
    return replace(
        today,
        swe_mm=moved.swe_mm,
        se_mm=np.sqrt(np.maximum(today.se_mm**2 + moved.variance_change_mm2, 0.0)),
        covered=covered_after(today.covered, today.swe_mm, moved.swe_mm),
    )


def _beside_forecast(flown: Flown, asked: np.ndarray, day_map: MapOfDay, season: WholeSeason) -> LaterFlight:
    """Return a later flight beside the map carried to its day.

    Only cells in `asked` count.
    """
    nightly, terrain = day_map.today.swe_mm, season.inputs.basin.terrain
    area, elevation = terrain["cell_area"].to_numpy(), terrain["elevation"].to_numpy()
    inside, unmeasured = area > 0, np.full(nightly.shape, np.nan)
    pattern = Pattern.of(nightly[inside], elevation[inside], area[inside])
    start = Flown(day_map.inputs.day.date, nightly, unmeasured, unmeasured, day_map.today.covered, [], pattern)
    carried = CarriedFlight(start, season.inputs.day.season_start).fit(season.inputs.ground, flown.date)

    def by_then(swe_mm: np.ndarray) -> Prediction:
        return carried.predict(terrain.assign(flown=(("y", "x"), swe_mm)))

    forecast = by_then(nightly)
    return LaterFlight(
        swe_mm=np.where(flown.seen & asked, flown.swe_mm, np.nan),
        forecast_mm=forecast.swe_mm,
        slope=(by_then(nightly + STEP_MM).swe_mm - forecast.swe_mm) / STEP_MM,
        carry_mm2=ShapeErrors.of(forecast.parts, nightly.shape).own_mm2,
        errors=ShapeErrors.of(flown.parts, nightly.shape),
    )
