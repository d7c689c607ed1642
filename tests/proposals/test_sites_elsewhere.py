"""Lists of sites as other countries write them: letters of the compass, and days on which stations began."""

import numpy as np
import openpyxl
import pytest
from other_ways import COURSES, HINT, SITES, STATIONS, Settled, assert_courses_are_true, canonical, lines, read_back

from snowtally.proposals.proposal import BasinHint
from snowtally.proposals.tables import propose_tables

EAST = BasinHint(19.6, 44.8, 20.4, 45.2, 1400.0, 2900.0, ("EPSG:32634",))
"""The made basin mirrored at the prime meridian."""


def sexagesimal(degrees: float, letter: str) -> str:
    minutes = abs(degrees) * 60
    return f"{int(minutes // 60)}°{int(minutes % 60):02d}'{minutes * 60 % 60:04.1f}\"{letter}"


def sites_in(folder, letter):
    rows = [["site_id", "kind", "longitude", "latitude"]]
    rows += [
        [s.site_id, s.kind, sexagesimal(s.longitude, letter), sexagesimal(s.latitude, "N")] for s in SITES.itertuples()
    ]
    (folder / "sites.csv").write_text(lines(rows), "utf-8")
    canonical(folder, "courses", "stations")


@pytest.mark.parametrize(
    ("letter", "hint", "means", "sign"), [("O", HINT, "W", 1), ("O", EAST, "E", -1), ("Ø", EAST, "E", -1)]
)
def test_the_basin_tells_whether_a_letter_is_east_or_west(tmp_path, letter, hint, means, sign):
    sites_in(tmp_path, letter)
    found = propose_tables(sorted(tmp_path.iterdir()), hint)
    assert not found.refusals
    assert Settled.of(found, "sites").keys["columns.longitude"] == {"values": {letter: means}}
    read = read_back(found, "sites")
    np.testing.assert_allclose(read["longitude"], sign * SITES["longitude"], atol=2e-5)


def test_a_letter_by_which_no_site_lies_in_the_basin_is_refused(tmp_path):
    sites_in(tmp_path, "O")
    far = BasinHint(99.6, 44.8, 100.4, 45.2, 1400.0, 2900.0, ("EPSG:32647",))
    found = propose_tables(sorted(tmp_path.iterdir()), far)
    assert any("O is west in Spanish and French" in str(one) for one in found.refusals)


@pytest.mark.parametrize(("years_before", "asks"), [(3, False), (0, True)])
def test_the_order_of_begin_days_is_asked_for_only_where_records_may_hang_on_it(tmp_path, years_before, asks):
    canonical(tmp_path, "courses", "stations")
    begun = [f"0{n}/0{n + 3}/{2031 - years_before}" for n in range(1, 6)] + ["06/02/2027", "05/09/2026"]
    SITES.assign(Installed=begun).rename(columns={"Installed": "start date"}).to_csv(
        tmp_path / "sites.csv", index=False
    )
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    (group,) = found.tables["sites"].groups
    (dates,) = [one for one in group.proposals if one.key == "dates"]
    assert bool(dates.others) is asks
    assert dates.is_safe is not asks


def test_books_of_which_one_has_a_single_sheet_are_read_alike(tmp_path):
    canonical(tmp_path, "sites", "stations")
    for site, of_site in COURSES.groupby("site_id"):
        book = openpyxl.Workbook()
        book.remove(book.active)
        visits = [day for _, day in of_site.groupby("date")]
        # QC01 comes first: all its visits stand in one sheet.
        for number, of_day in enumerate([of_site] if site == "QC01" else visits, 1):
            sheet = book.create_sheet(f"visit {number}")
            sheet.append([*of_day.columns])
            for row in of_day.itertuples(index=False):
                sheet.append([*row])
        book.save(tmp_path / f"{site}.xlsx")
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert not found.refusals
    assert Settled.of(found, "courses").keys["sheet"] == "*"
    assert_courses_are_true(read_back(found, "courses"))


@pytest.mark.parametrize("pattern", ["{site}_{name}_{unit}", "{site} {name} ({unit})", "{site}_{name}.{unit}"])
@pytest.mark.parametrize("code", ["", "-99.9", "-6999"])
def test_wide_headers_may_end_in_their_unit(tmp_path, pattern, code):
    canonical(tmp_path, "sites", "courses")
    names = {"swe_mm": ("SWE", "mm"), "depth_cm": ("HS", "cm"), "air_temperature_c": ("TA", "degC")}
    wide = STATIONS.pivot(index="date", columns="site_id", values=list(names)).astype(object)
    wide.columns = [pattern.format(site=s, name=names[k][0], unit=names[k][1]) for k, s in wide.columns]
    wide.iloc[40:52, :4] = code
    wide.reset_index().to_csv(tmp_path / "stations.csv", index=False)
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert not found.refusals, list(map(str, found.refusals))
    read = read_back(found, "stations")
    assert np.nanmax(read["depth_m"]) == pytest.approx(STATIONS["depth_cm"].max() / 100)
    assert np.nanmax(read["swe_mm"]) == STATIONS["swe_mm"].max()
