"""What files say beside their columns: clocks, units and orders of dates are taken where they are meant, and by each file."""

import openpyxl
import pandas as pd
import pytest
from other_ways import COURSES, HINT, STATIONS, assert_courses_are_true, canonical, lines, read_back

from snowtally.proposals.clock import propose_offset
from snowtally.proposals.clocks_known import clock_said, summer_time_said
from snowtally.proposals.tables import propose_tables
from snowtally.proposals.units_known import units_said


@pytest.mark.parametrize(
    ("texts", "hours"),
    [
        (["Time (UTC offset -7)"], -7.0),
        (["Time UTC-07:30"], -7.5),
        (["Time", "Times in MST, no daylight saving"], -7.0),
        (["Time", "Local standard time: MST"], -7.0),
        (["Time", "All times in UTC"], 0.0),
        (["Time", "Times are local, not UTC"], None),
        (["Time", "To convert times to UTC add 7 hours"], None),
        (["Time (GMT minus 7)"], None),
        (["time_utc_offset"], None),
        (["Time", "Exported 2031-05-01 12:00 UTC"], None),
    ],
)
def test_a_clock_that_is_only_spoken_of_is_not_taken(texts, hours):
    said = clock_said(texts)
    assert (None if said is None else said.hours) == hours


@pytest.mark.parametrize(
    "text", ["Time (MDT)", "Zeit (MESZ)", "Time zone: MST with daylight saving", "Time (CET/CEST)"]
)
def test_summer_time_is_known(text):
    assert summer_time_said(["Time" if ":" in text else text, text])


@pytest.mark.parametrize("text", ["Time (MST)", "Times in MST without daylight saving"])
def test_no_summer_time_is_known_too(text):
    assert not summer_time_said(["Time", text])


@pytest.mark.parametrize(
    ("line", "units"),
    [
        ("Depths in inches, SWE [mm]", {"inch", "mm"}),
        ("Units: cm", {"cm"}),
        ("Snow courses in the upper valley", set()),
        ("visited once a month", set()),
        ("Station at 7600 ft", set()),
        ("Elevation [ft]", set()),
        ("Schneehöhe in cm", {"cm"}),
    ],
)
def test_words_of_prose_are_no_units(line, units):
    assert units_said([line]) == units


def stations_in(folder, headings):
    """Write a file a station with a line above its header, and times of day."""
    for (site, own), heading in zip(STATIONS.groupby("site_id"), headings, strict=True):
        rows = [["TIMESTAMP", "SWE_mm"], *([f"{r.date} 12:00:00", r.swe_mm] for r in own.itertuples())]
        (folder / f"{site}.csv").write_text(heading + "\n" + lines(rows), "utf-8")


def test_each_file_has_the_clock_that_it_says(tmp_path):
    canonical(tmp_path, "sites", "courses")
    stations_in(tmp_path, ["All times in UTC", "All times in UTC-1", "All times in UTC"])
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert not found.refusals
    rows = read_back(found, "stations")
    hours = rows.groupby(rows["site_id"].astype(str))["time"].first().dt.hour
    assert hours.to_dict() == {"QS1": 12, "QS2": 13, "QS3": 12}
    # The basin's offset is proposed by what the files state.
    groups = found.tables["stations"].groups
    assert {offset for group in groups for offset in group.offsets_hours} == {0, -1}
    assert propose_offset(-8.0, groups).value == -1


def test_summer_time_is_refused_with_the_cure(tmp_path):
    canonical(tmp_path, "sites", "courses")
    stations_in(tmp_path, ["Time zone: MST/MDT"] * 3)
    refused = list(map(str, propose_tables(sorted(tmp_path.iterdir()), HINT).refusals))
    assert any("put forward in summer. Write the UTC offset behind each time" in one for one in refused)


def courses_in(path, *, imperial, rows=COURSES, date=lambda day: day):
    length, water = (2.54, 25.4) if imperial else (1.0, 1.0)
    head = ["site_id", "date", "point", *(["Depth (in)", "SWE (in)"] if imperial else ["depth_cm", "swe_mm"])]
    table = [
        [r.site_id, date(r.date), r.point, f"{r.depth_cm / length:.2f}", f"{r.swe_mm / water:.3f}"]
        for r in rows.itertuples()
    ]
    path.write_text(lines([head, *table]), "utf-8")


def by_site():
    return [(site, own) for site, own in COURSES.groupby("site_id")]


@pytest.mark.parametrize(
    "names", [("a1", "a2", "a3", "a4"), ("c [1]", "c [2]", "c [3]", "c [4]")], ids=["in turn", "brackets"]
)
def test_every_file_meets_its_own_format(names, tmp_path):
    canonical(tmp_path, "sites", "stations")
    for number, (name, (_, own)) in enumerate(zip(names, by_site(), strict=True)):
        courses_in(tmp_path / f"{name}.csv", imperial=number % 2 == 0, rows=own)
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert not found.refusals
    assert_courses_are_true(read_back(found, "courses"))


def test_files_of_one_name_in_two_ways_of_writing_are_refused(tmp_path):
    canonical(tmp_path, "sites", "stations")
    for number, (_, own) in enumerate(by_site()):
        (tmp_path / f"{number}").mkdir()
        courses_in(tmp_path / f"{number}" / "courses.csv", imperial=number == 0, rows=own)
    refused = propose_tables(sorted(path for path in tmp_path.rglob("*.csv")), HINT).refusals
    assert refused
    assert all("Give one of the two another name" in str(one) for one in refused)


def test_a_file_with_days_and_months_exchanged_is_refused(tmp_path):
    canonical(tmp_path, "sites", "stations")
    early = pd.date_range("2030-11-01", periods=8, freq="MS").strftime("%Y-%m-%d").tolist()
    for number, (site, own) in enumerate(by_site()):
        days = [day[:8] + of_month for day in early for of_month in (("03", "09") if number == 0 else ("04", "25"))]
        rows = pd.concat([own.head(1).assign(date=day) for day in days])
        order = "%m/%d/%Y" if number == 0 else "%d/%m/%Y"
        courses_in(
            tmp_path / f"{site}.csv",
            imperial=False,
            rows=rows,
            date=lambda day, order=order: pd.Timestamp(day).strftime(order),
        )
    refused = list(map(str, propose_tables(sorted(tmp_path.iterdir()), HINT).refusals))
    assert any("QC01.csv, column 'date': its dates are written as month-first" in one for one in refused), refused


def test_three_visits_out_of_order_do_not_tell_the_order_of_day_and_month(tmp_path):
    canonical(tmp_path, "sites", "stations")
    day = {"01": "02/03/2031", "02": "01/04/2031", "04": "05/05/2031", "05": "05/05/2031"}
    courses_in(tmp_path / "c.csv", imperial=False, date=lambda iso: day[iso[5:7]])
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    dates = next(one for one in found.tables["courses"].groups[0].proposals if one.key == "dates")
    assert not dates.is_safe


def test_sheets_of_a_workbook_in_two_ways_of_writing_are_refused(tmp_path):
    canonical(tmp_path, "sites", "stations")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for sheet, head, length, water in (
        ("old", ["Depth (in)", "SWE (in)"], 2.54, 25.4),
        ("new", ["depth_cm", "swe_mm"], 1, 1),
    ):
        rows = book.create_sheet(sheet)
        rows.append(["site_id", "date", "point", *head])
        for r in COURSES[COURSES["date"].str.startswith("2031-0" + ("1" if sheet == "old" else "4"))].itertuples():
            rows.append([r.site_id, r.date, r.point, r.depth_cm / length, r.swe_mm / water])
    book.save(tmp_path / "c.xlsx")
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert [path.name for path in found.tables["courses"].paths] == ["c.xlsx"]
    assert any("c.xlsx: its sheets are written in different ways" in str(one) for one in found.refusals)


def test_a_quote_that_is_never_closed_ends_no_run(tmp_path):
    canonical(tmp_path, "sites", "courses", "stations")
    (tmp_path / "notes.csv").write_text('a,b\n1,"' + "x" * 300_000 + "\n", "utf-8")
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert [one.path.name for one in found.unknown] == ["notes.csv"]
