"""Units that no header says: settled by density, season and terrain, or left open; never settled wrong."""

import itertools
from pathlib import Path

import numpy as np
import pytest
from other_ways import COURSES, HINT, STATIONS

from snowtally.inputs.known_tables import COURSES as COURSE_TABLE
from snowtally.inputs.known_tables import STATIONS as STATION_TABLE
from snowtally.inputs.known_tables import WEATHER
from snowtally.proposals.proposal import BasinHint
from snowtally.proposals.raw_table import RawTable
from snowtally.proposals.seen_columns import seen_table
from snowtally.proposals.snow_units import usual_density
from snowtally.proposals.table_units import unit_readings
from snowtally.proposals.unit_readings import LENGTHS, Surveyed
from snowtally.proposals.weather_units import above_air_mj

PER_M = {"cm": 100.0, "mm": 1000.0, "m": 1.0, "inch": 1 / 0.0254, "foot": 1 / 0.3048}
SOUTH = BasinHint(-20.4, -45.2, -19.6, -44.8, 1400.0, 2900.0)


def surveyed(table, headers, columns, days, hint=HINT):
    """Return columns as they are looked at; headers by key, numbers by key."""
    rows = tuple(zip(*([f"{value:.4g}" for value in column] for column in columns.values()), strict=True))
    raw = RawTable(Path("t.csv"), tuple(headers.values()), rows)
    seen = seen_table(raw)
    by_key = dict(zip(headers, seen.columns, strict=True))
    return Surveyed(by_key, table, None if days is None else np.array(days, "datetime64[D]"), hint, frozenset())


@pytest.mark.parametrize(("depth", "swe"), list(itertools.product(LENGTHS, ["mm", "cm", "m", "inch", "foot"])))
def test_snow_in_any_pair_of_units_is_never_settled_wrong(depth, swe):
    columns = {"depth": COURSES["depth_cm"] / 100 * PER_M[depth], "swe": COURSES["swe_mm"] / 1000 * PER_M[swe]}
    found = unit_readings(surveyed(COURSE_TABLE, {"depth": "Depth", "swe": "SWE"}, columns, COURSES["date"]))
    for key, unit in (("depth", depth), ("swe", swe)):
        assert unit in (found[key].unit, *found[key].others)
    if (depth, swe) == ("cm", "mm"):
        assert not found["depth"].others
        assert not found["swe"].others


@pytest.mark.parametrize("unit", ["mm", "cm", "inch"])
def test_a_depth_in_inches_tells_the_unit_of_swe(unit):
    columns = {"depth": COURSES["depth_cm"] / 2.54, "swe": COURSES["swe_mm"] / 1000 * PER_M[unit]}
    found = unit_readings(surveyed(COURSE_TABLE, {"depth": "Depth (in)", "swe": "SWE"}, columns, COURSES["date"]))
    assert (found["swe"].unit, found["swe"].others) == (unit, ())


@pytest.mark.parametrize("hint", [HINT, SOUTH])
@pytest.mark.parametrize(
    ("unit", "of"), [("degC", lambda c: c), ("degF", lambda c: c * 1.8 + 32), ("kelvin", lambda c: c + 273.15)]
)
def test_air_of_a_winter_tells_its_scale(unit, of, hint):
    one = STATIONS[STATIONS["site_id"] == "QS2"]
    days = np.array(one["date"], "datetime64[D]") + (0 if hint is HINT else 182)
    found = unit_readings(
        surveyed(
            STATION_TABLE, {"air_temperature": "Air"}, {"air_temperature": of(one["air_temperature_c"])}, days, hint
        )
    )
    assert (found["air_temperature"].unit, found["air_temperature"].others) == (unit, ())


def test_a_light_winter_does_not_contradict_its_headers():
    light = {"depth": COURSES["depth_cm"] * 1.5, "swe": COURSES["swe_mm"] * 0.85}
    found = unit_readings(surveyed(COURSE_TABLE, {"depth": "Depth (cm)", "swe": "SWE (mm)"}, light, COURSES["date"]))
    assert (found["depth"].unit, found["depth"].others, found["swe"].unit, found["swe"].others) == ("cm", (), "mm", ())
    # Another unit that would make it a usual winter is still asked for.
    inches = {"depth": COURSES["depth_cm"] / 2.54, "swe": COURSES["swe_mm"] * 0.85}
    found = unit_readings(surveyed(COURSE_TABLE, {"depth": "Depth (cm)", "swe": "SWE (mm)"}, inches, COURSES["date"]))
    assert found["depth"].others == ("inch",)


def test_a_header_that_the_numbers_contradict_is_a_question():
    columns = {"depth": COURSES["depth_cm"], "swe": COURSES["swe_mm"] / 25.4}
    found = unit_readings(surveyed(COURSE_TABLE, {"depth": "Depth (in)", "swe": "SWE (in)"}, columns, COURSES["date"]))
    assert found["depth"].others == ("cm",)
    assert found["swe"].others == ()
    assert "says inch, but the numbers would fit cm" in found["depth"].evidence


def test_precipitation_totals_are_told_by_the_snow_beside_them_or_asked():
    headers = {"swe": "SWE (mm)", "precipitation_total": "Gauge"}
    for per_mm, unit, others in ((1.0, "mm", ()), (1 / 25.4, "cm", ("inch",))):
        columns = {"swe": STATIONS["swe_mm"], "precipitation_total": STATIONS["precipitation_total_mm"] * per_mm}
        found = unit_readings(surveyed(STATION_TABLE, headers, columns, STATIONS["date"]))
        assert (found["precipitation_total"].unit, found["precipitation_total"].others) == (unit, others)


@pytest.mark.parametrize(
    ("unit", "per"), [("MJ/m**2", 1.0), ("W*day/m**2", 1 / 0.0864), ("kW*hour/m**2", 1 / 3.6), ("J/cm**2", 100.0)]
)
def test_sun_is_told_by_the_sun_above_the_air(unit, per):
    days = np.arange("2030-11-01", "2031-04-01", dtype="datetime64[D]")
    clear = above_air_mj(days, 45.0) * np.where(np.arange(len(days)) % 3, 0.7, 0.3)
    found = unit_readings(surveyed(WEATHER, {"solar": "Sun"}, {"solar": clear * per}, days))
    assert (found["solar"].unit, found["solar"].others) == (unit, ())


def test_the_sun_above_the_air_is_that_of_a_published_example():
    # Allen et al. 1998, FAO Irrigation and Drainage Paper 56, example 8: 20 degrees south, 3 September: 32.2 MJ/m2.
    assert float(above_air_mj(np.array(["2031-09-03"], "datetime64[D]"), -20.0)[0]) == pytest.approx(32.2, abs=0.05)


def test_usual_density_is_that_of_the_published_relation():
    # Sturm et al. 2010, equation 6 with table 4, alpine snow of 100 cm on day 60: 0.3738 (1 - exp(-0.12 - 0.228)) + 0.2237.
    day = np.array(["2031-03-02"], "datetime64[D]")
    assert float(usual_density(day, is_south=False)[0]) == pytest.approx(333.6, abs=0.5)
    assert float(usual_density(day + 182, is_south=True)[0]) == pytest.approx(333.6, abs=2.0)
