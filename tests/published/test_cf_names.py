"""Names and units of the archive against the CF conventions. Checks CFN-01 to CFN-04 of the list of outside checks.

Source of the names and their canonical units: CF Standard Name Table, version 93 (17 March 2026), as shipped inside
compliance-checker 6.1.0. Source of the modifier: CF Conventions 1.11, appendix C, "Standard Name Modifiers". Units are
converted by UDUNITS-2 (through cf-units, which compliance-checker brings).
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import compliance_checker
import netCDF4
import pytest
from cf_units import Unit

from snowtally.publishing.pack import pack

TABLE_VERSION = 93

CANONICAL = {
    "lwe_thickness_of_surface_snow_amount": "m",
    "surface_snow_amount": "kg m-2",
    "surface_snow_thickness": "m",
    "surface_snow_density": "kg m-3",
    "surface_albedo": "1",
    "surface_snow_area_fraction": "1",
    "surface_downwelling_shortwave_flux_in_air": "W m-2",
    "surface_net_downward_shortwave_flux": "W m-2",
    "surface_snow_melt_amount": "kg m-2",
    "surface_snow_melt_flux": "kg m-2 s-1",
    "surface_altitude": "m",
    "air_temperature": "K",
    "precipitation_amount": "kg m-2",
    "ground_slope_angle": "degree",
    "ground_slope_direction": "degree",
    "cell_area": "m2",
    "solar_zenith_angle": "degree",
}
"""CFN-01."""

NO_SUCH_NAMES = ("snow_water_equivalent", "snow_depth")
"""CFN-02."""

MODIFIER = "standard_error"
"""CFN-03: the modified quantity keeps the units of the name."""

MM_IN_M = 0.001
"""CFN-04."""

NAMELESS = {"zone", "elevation_band", "swe_p10", "swe_p90"}
"""Classes of the basin's own, for which CF has no name."""


@pytest.fixture(scope="module")
def estimate(tmp_path_factory):
    """The grid file of a day, as it is published."""
    path = Path(__file__).parents[1] / "made" / "made_day.py"
    spec = importlib.util.spec_from_file_location("made_day_for_names", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    folder = tmp_path_factory.mktemp("names")
    pack(module.made_day(), folder)
    return folder / "estimate.nc"


@pytest.fixture(scope="module")
def names(estimate):
    """Standard name and units of every variable of the file."""
    with netCDF4.Dataset(estimate) as file:
        return {
            n: (getattr(v, "standard_name", ""), getattr(v, "units", ""))
            for n, v in file.variables.items()
            if n != "crs"
        }


@pytest.fixture(scope="module")
def table():
    """The standard name table: canonical units by name, and aliases."""
    root = ET.parse(Path(compliance_checker.__file__).parent / "data" / "cf-standard-name-table.xml").getroot()  # noqa: S314  ships with the checker
    units = {entry.get("id"): entry.findtext("canonical_units") for entry in root.iter("entry")}
    aliases = {alias.get("id"): alias.findtext("entry_id") for alias in root.iter("alias")}
    return int(root.findtext("version_number")), units, aliases


def test_the_copied_units_are_those_of_the_table(table):
    version, units, _ = table
    if version == TABLE_VERSION:
        assert {name: units[name] for name in CANONICAL} == CANONICAL
    else:
        # A later table may add names; it must not change these.
        assert {name: Unit(units[name]) for name in CANONICAL} == {name: Unit(unit) for name, unit in CANONICAL.items()}


def test_cfn_01_every_variable_has_a_name_of_the_table_and_units_that_udunits_converts_to_its(names, table):
    _, units, _ = table
    assert {variable for variable, (name, _) in names.items() if not name} == NAMELESS
    for variable, (name, unit) in names.items():
        if name:
            base = name.split()[0]
            assert base in units, variable
            assert Unit(unit).is_convertible(Unit(units[base] or "1")) or variable == "time", variable


@pytest.mark.parametrize(
    ("variable", "name"),
    [
        ("swe", "lwe_thickness_of_surface_snow_amount"),
        ("depth", "surface_snow_thickness"),
        ("density", "surface_snow_density"),
        ("snow_cover", "surface_snow_area_fraction"),
        ("elevation", "surface_altitude"),
        ("cell_area", "cell_area"),
    ],
)
def test_cfn_01_the_names_of_what_is_published(names, variable, name):
    assert names[variable][0] == name
    assert Unit(names[variable][1]).is_convertible(Unit(CANONICAL[name]))


def test_cfn_02_popular_names_that_cf_does_not_have_are_not_used(names, table):
    _, units, aliases = table
    for name in NO_SUCH_NAMES:
        assert name not in units
    assert aliases["snow_density"] == "surface_snow_density"
    assert not {name.split()[0] for name, _ in names.values() if name} & {*NO_SUCH_NAMES, *aliases}


@pytest.mark.parametrize("variable", ["swe", "depth", "density"])
def test_cfn_03_standard_errors_carry_the_modifier_and_the_units_of_what_they_belong_to(names, variable):
    name, unit = names[variable]
    assert names[f"{variable}_se"] == (f"{name} {MODIFIER}", unit)


def test_cfn_03_the_checker_finds_nothing_wrong(estimate, tmp_path):
    report = tmp_path / "report.json"
    checker = Path(sys.executable).with_name("compliance-checker")
    # With strict criteria its status is 0 only when nothing at all was found.
    command = [checker, "--test=cf:1.11", "--criteria=strict", "--format=json", f"--output={report}", estimate]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    found = json.loads(report.read_text("utf-8"))["cf:1.11"]
    problems = [
        f"{check['name']}: {check['msgs']}"
        for priority in ("high_priorities", "medium_priorities", "low_priorities")
        for check in found[priority]
        if check["value"][0] < check["value"][1]
    ]
    assert problems == []
    assert found["scored_points"] == found["possible_points"] > 300
    assert done.returncode == 0, done.stdout + done.stderr


NEVER_TOLD = {"date_created", "geospatial_bounds_vertical_crs"}
"""What docs/archive.md says is never there."""


def test_acdd_recommends_nothing_that_is_not_told(estimate, tmp_path):
    report = tmp_path / "report.json"
    checker = Path(sys.executable).with_name("compliance-checker")
    command = [checker, "--test=acdd:1.3", "--criteria=strict", "--format=json", f"--output={report}", estimate]
    subprocess.run(command, capture_output=True, text=True, check=False)
    found = json.loads(report.read_text("utf-8"))["acdd:1.3"]
    missing = [
        message
        for priority in ("high_priorities", "medium_priorities")
        for check in found[priority]
        for message in check["msgs"]
    ]
    lacking = {name for name in NEVER_TOLD if any(name in message for message in missing)}
    # Heights are given as their range; the checker looks for a vertical axis beside it.
    known = (*NEVER_TOLD, "standard_name", "Could not find vertical variable to test extent")
    others = [message for message in missing if not any(words in message for words in known)]
    assert (others, lacking) == ([], NEVER_TOLD)


def test_cfn_04_millimetres_of_water_are_a_length_and_not_a_mass_per_area(names):
    assert names["swe"] == ("lwe_thickness_of_surface_snow_amount", "mm")
    assert Unit("mm").convert(1.0, Unit("m")) == pytest.approx(MM_IN_M, rel=1e-12)
    assert not Unit("kg m-2").is_convertible(Unit("m"))
    assert not [variable for variable, (name, unit) in names.items() if "lwe_thickness" in name and unit == "kg m-2"]
