"""The units of a table's columns.

By their headers, and by what snow, air and rain can be; a contradiction is a question.
"""

from __future__ import annotations

from snowtally.proposals.snow_units import snow_units, weighing_units
from snowtally.proposals.unit_readings import Surveyed, UnitReading
from snowtally.proposals.weather_units import air_units, elevation_unit, error_unit, precipitation_units, solar_unit


def unit_readings(these: Surveyed) -> dict[str, UnitReading]:
    """Return the unit of each column that has one."""
    readings: dict[str, UnitReading] = {}
    for read in (
        snow_units,
        weighing_units,
        air_units,
        precipitation_units,
        solar_unit,
        elevation_unit,
        error_unit,
    ):
        readings |= read(these, readings)
    return readings
