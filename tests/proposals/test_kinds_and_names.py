"""Lists of sites under words of their own: what tells kinds, names and identifiers there are the folder's other tables."""

import openpyxl
import pytest
from other_ways import COURSES, HINT, SITES, STATIONS, Settled, lines, read_back

from snowtally.proposals.tables import propose_tables

WORDS = {"course": "On foot", "station": "Mast"}


def listed(folder, sites=SITES, words=WORDS):
    """Write a list of sites in a sheet whose title has a word of courses, with headers that say little."""
    book = openpyxl.Workbook()
    book.active.append(["Quarrow survey: where we measure"])
    book.active.append([])
    book.active.append(["Post", "Called", *(["What"] if words else []), "Long.", "Lat."])
    for s in sites.itertuples():
        what = [words[s.kind]] if words else []
        book.active.append([s.site_id, s.name, *what, s.longitude, s.latitude])
    book.save(folder / "posts.xlsx")


def by_site(folder, table):
    rows = {"courses": COURSES, "stations": STATIONS}[table]
    rows.to_csv(folder / f"{table}.csv", index=False)


def side_by_side(folder, names, pattern="{} / {}"):
    """Write stations side by side, each under one of its names."""
    wide = STATIONS.pivot(index="date", columns="site_id", values=["swe_mm", "depth_cm"])
    element = {"swe_mm": "water on the pillow, mm", "depth_cm": "height of snow, cm"}
    wide.columns = [pattern.format(names[site], element[key]) for key, site in wide.columns]
    wide.reset_index().to_csv(folder / "masts.csv", index=False)


def kind_of(found):
    return Settled.of(found, "sites").keys.get("columns.kind")


def proposed(folder):
    return propose_tables(sorted(folder.iterdir()), HINT)


def test_tables_of_measurements_tell_what_an_unknown_column_of_two_words_says(tmp_path):
    listed(tmp_path)
    by_site(tmp_path, "courses")
    by_site(tmp_path, "stations")
    found = proposed(tmp_path)
    assert not found.refusals
    assert kind_of(found) == {"column": "What", "values": {"On foot": "course", "Mast": "station"}}
    assert dict(zip(SITES["site_id"], SITES["kind"], strict=True)) == dict(
        read_back(found, "sites")[["site_id", "kind"]].itertuples(index=False)
    )


@pytest.mark.parametrize("tables", [(), ("courses",), ("stations",)])
def test_a_title_does_not_make_all_sites_courses_where_a_column_has_two_words(tmp_path, tables):
    listed(tmp_path)
    for table in tables:
        by_site(tmp_path, table)
    found = proposed(tmp_path)
    assert "constant" not in (kind_of(found) or {})
    (refusal,) = found.refusals
    assert refusal.column == "What"
    assert "is not clearly a course or a station" in str(refusal)


def test_a_title_counts_where_nothing_speaks_against_it(tmp_path):
    listed(tmp_path, SITES[SITES["kind"] == "course"], words=None)
    found = proposed(tmp_path)
    assert kind_of(found) == {"constant": "course"}


@pytest.mark.parametrize("tables", [(), ("courses",)])
def test_a_title_does_not_count_where_stations_stand_under_names_that_no_list_has(tmp_path, tables):
    listed(tmp_path, words=None)
    by_other_names = STATIONS.assign(site_id="other " + STATIONS["site_id"])
    by_other_names.to_csv(tmp_path / "stations.csv", index=False)
    for table in tables:
        by_site(tmp_path, table)
    found = proposed(tmp_path)
    assert kind_of(found) is None
    assert any("tables of stations name none of these sites" in str(one) for one in found.refusals)


def test_a_column_of_owners_is_no_kind(tmp_path):
    owner = {"course": "Hill farm", "station": "Hill farm"}
    listed(tmp_path, SITES.assign(kind=SITES["kind"].where(SITES.index % 2 == 0, "course")), owner | {"course": "Mill"})
    by_site(tmp_path, "courses")
    by_site(tmp_path, "stations")
    assert kind_of(proposed(tmp_path))["column"] == "Post"


def test_texts_that_headers_of_stations_carry_are_names_of_sites(tmp_path):
    listed(tmp_path)
    by_site(tmp_path, "courses")
    side_by_side(tmp_path, dict(zip(SITES["site_id"], SITES["name"], strict=True)))
    found = proposed(tmp_path)
    assert not found.refusals
    assert Settled.of(found, "sites").keys["columns.name"] == {"column": "Called"}
    read = read_back(found, "stations")
    assert set(read["site_id"]) == {"QS1", "QS2", "QS3"}
    assert read["swe_mm"].max() == STATIONS["swe_mm"].max()


def test_the_site_of_a_row_of_months_is_told_by_the_list(tmp_path):
    listed(tmp_path, words=None)
    by_site(tmp_path, "stations")
    courses = SITES[SITES["kind"] == "course"]
    months = ("January", "February", "March")
    rows = [["Line", "Winter", *(f"{month} {what}" for month in months for what in ("depth cm", "SWE mm"))]]
    rows += [[s.site_id, year, 80, 200, 120, 350, 150, 460] for s in courses.itertuples() for year in (2031, 2032)]
    (tmp_path / "lines.csv").write_text(lines(rows))
    found = proposed(tmp_path)
    assert not found.refusals
    assert Settled.of(found, "courses").keys["columns.site_id"] == {"column": "Line"}
    assert kind_of(found)["values"] == dict(zip(SITES["site_id"], SITES["kind"], strict=True))


@pytest.mark.parametrize("pattern", ["{}: {}", "{} - {}", "{}_{}"])
def test_identifier_and_name_may_both_stand_before_the_reading(tmp_path, pattern):
    listed(tmp_path)
    by_site(tmp_path, "courses")
    both = {s.site_id: f"{s.site_id} {s.name}" for s in SITES.itertuples()}
    side_by_side(tmp_path, both, pattern)
    found = proposed(tmp_path)
    assert not found.refusals
    read = read_back(found, "stations")
    for site, rows in read.groupby("site_id"):
        assert rows["swe_mm"].max() == STATIONS.loc[STATIONS["site_id"] == site, "swe_mm"].max()
    assert set(read["site_id"]) == {"QS1", "QS2", "QS3"}


@pytest.mark.parametrize("water", ["water mm", "Wasser (mm)"])
def test_water_beside_depth_is_snow_s(tmp_path, water):
    listed(tmp_path)
    side_by_side(tmp_path, dict(zip(SITES["site_id"], SITES["name"], strict=True)))
    (masts := tmp_path / "masts.csv").write_text(masts.read_text().replace("water on the pillow, mm", water))
    rows = [["Line", "Winter", *(f"{month} {what}" for month in ("Jan", "Feb", "Mar") for what in ("depth cm", water))]]
    rows += [[s, year, 80, 200, 120, 350, 150, 460] for s in ("QC01", "QC02", "QC03", "QC04") for year in (2031, 2032)]
    (tmp_path / "lines.csv").write_text(lines(rows))
    found = proposed(tmp_path)
    assert not found.refusals
    assert Settled.of(found, "courses").keys["monthly"] == {"season": "Winter", "group": ["depth", "swe"]}
    assert read_back(found, "stations")["swe_mm"].max() == STATIONS["swe_mm"].max()


def test_stations_side_by_side_under_names_that_no_list_has_are_one_point(tmp_path):
    listed(tmp_path)
    by_site(tmp_path, "courses")
    side_by_side(tmp_path, {"QS1": "Far Top", "QS2": "Dun Wood", "QS3": "Ness"})
    found = proposed(tmp_path)
    (refusal,) = [one for one in found.refusals if one.file.name == "masts.csv"]
    assert "stations side by side (6 columns such as 'Far Top / water on the pillow, mm'" in str(refusal)


def test_kinds_of_one_reading_are_no_stations_side_by_side(tmp_path):
    listed(tmp_path)
    by_site(tmp_path, "courses")
    one = STATIONS[STATIONS["site_id"] == "QS1"]
    table = one[["date", "swe_mm"]].assign(
        **{f"air temperature {what}": one["air_temperature_c"] for what in ("max", "min")}
    )
    table.to_csv(tmp_path / "masts.csv", index=False)
    refusals = [str(one) for one in proposed(tmp_path).refusals if one.file.name == "masts.csv"]
    assert any("no column is recognised as site_id" in one for one in refusals)
    assert not any("side by side" in one for one in refusals)


@pytest.mark.parametrize(
    ("days", "way", "others"),
    [
        (["28/12", "03/02", "26/02"], "%d/%m", ()),
        (["12/28", "02/03", "02/26"], "%m/%d", ()),
        # The first of February, or the second of January: both lie near January's.
        (["01.02.", "02.02.", "03.03."], "%d.%m.", ("%m.%d.",)),
    ],
)
def test_days_of_months_without_a_year_are_read_as_they_lie_near_the_first(tmp_path, days, way, others):
    listed(tmp_path)
    by_site(tmp_path, "stations")
    rows = [
        ["Line", "Winter", *(f"{m} {what}" for m in ("Jan", "Feb", "Mar") for what in ("day", "depth cm", "SWE mm"))]
    ]
    cells = [cell for day, depth in zip(days, (80, 120, 150), strict=True) for cell in (day, depth, 3 * depth)]
    rows += [[s, year, *cells] for s in ("QC01", "QC02", "QC03", "QC04") for year in (2031, 2032)]
    (tmp_path / "lines.csv").write_text(lines(rows))
    found = proposed(tmp_path)
    assert not found.refusals
    (group,) = found.tables["courses"].groups
    (dates,) = [one for one in group.proposals if one.key == "dates"]
    assert (dates.value, dates.others, dates.is_safe) == (way, others, not others)
    assert len(read_back(found, "courses")) == 24


@pytest.mark.parametrize(("days", "is_named"), [(("2031-03-26", "2031-04-20"), True), (("2031-03-26",) * 2, False)])
def test_flights_without_an_identifier_are_named_by_their_days(tmp_path, days, is_named):
    listed(tmp_path)
    rows = [["Flown on", "Raster of depth", "Sigma m"], *([day, f"{n}.tif", 0.08] for n, day in enumerate(days))]
    (tmp_path / "laser.csv").write_text(lines(rows))
    found = proposed(tmp_path)
    lacks = any("recognised as flight_id" in str(one) for one in found.refusals)
    assert lacks is not is_named
    assert (Settled.of(found, "flights").keys.get("columns.flight_id") == {"column": "Flown on"}) is is_named
