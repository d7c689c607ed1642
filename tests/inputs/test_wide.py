"""Wide station tables whose headers hold a station and an element."""

import numpy as np
import pytest

from snowtally.inputs.formats import FileFormat
from snowtally.inputs.lines import CHUNK
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.source import Source
from snowtally.settings.blocks import Column
from snowtally.storage.cache import Cache

MISSING = ["", "-9999", "M"]
SWE, DEPTH, AIR = "Water in Snow (in)", "Snow on Ground (in)", "Air, mean (degF)"
HOW = FileFormat(
    comment="#",
    wide="* [{site}] {element}*",
    elements={"swe": SWE, "depth": DEPTH, "air_temperature": AIR},
    stations={"77": "ft01"},
    columns={
        "time": Column(column="Day"),
        "swe": Column(unit="inch"),
        "depth": Column(unit="inch"),
        "air_temperature": Column(unit="degF"),
    },
)
HEADERS = [
    "Day",
    f"Fell Top [77] {SWE} at midnight",
    f"Fell Top [77] {DEPTH} at midnight",
    f"Fell Top [77] {AIR}",
    "Fell Top [77] Gauge (in)",
    f"Hay Col [78] {SWE} at midnight",
    f'"Hay Col  [78] {AIR.replace(",", ",")}"',
]


def written(tmp_path, lines, headers=HEADERS):
    path = tmp_path / "wide.csv"
    quoted = [header if header.startswith('"') or "," not in header else f'"{header}"' for header in headers]
    path.write_text("\n".join(["# a report", ",".join(quoted), *lines]) + "\n", "utf-8")
    return path


def read(path, how=HOW, **other):
    return read_stations(Source([path], {}, MISSING, [how]), 0.0, **other)


def test_several_stations_and_elements_stand_side_by_side(tmp_path):
    rows, findings = read(written(tmp_path, ["2031-03-01,10,40,14,3,20,23", "2031-03-02,11,,M,3,,23"]))
    assert findings == []
    assert rows["site_id"].tolist() == ["78", "78", "ft01", "ft01"]
    assert rows["line"].tolist() == [3, 4, 3, 4]
    assert rows["swe_mm"].tolist() == pytest.approx([508.0, np.nan, 254.0, 279.4], nan_ok=True)
    assert rows["depth_m"].tolist() == pytest.approx([np.nan, np.nan, 1.016, np.nan], nan_ok=True)
    assert rows["air_temperature_c"].tolist() == pytest.approx([-5.0, -5.0, -10.0, np.nan], nan_ok=True)


def test_a_wide_table_is_the_long_one(tmp_path):
    """The same readings, long and canonical, give the same rows."""
    rng = np.random.default_rng(3)
    days = [f"2031-{month:02d}-{day:02d}" for month in (1, 2, 3) for day in range(1, 29)]
    cells = np.where(rng.random((len(days), 5)) < 0.1, np.nan, rng.uniform(5, 30, (len(days), 5)).round(1))
    text = [["" if np.isnan(cell) else f"{cell:.1f}" for cell in line] for line in cells]
    wide = written(tmp_path, [",".join([day, *line[:3], "", *line[3:]]) for day, line in zip(days, text, strict=True)])
    long = tmp_path / "long.csv"
    lines = [f"ft01,{day},{a},{b},{c}" for day, (a, b, c, _, _) in zip(days, text, strict=True) if any((a, b, c))]
    lines += [f"78,{day},{d},,{e}" for day, (*_, d, e) in zip(days, text, strict=True) if any((d, e))]
    long.write_text("\n".join(["site_id,time,swe_mm,depth_cm,air_temperature_c", *lines]) + "\n")
    units = {"swe": Column(unit="inch"), "depth": Column(unit="inch"), "air_temperature": Column(unit="degF")}
    expected, _ = read_stations(Source([long], units, MISSING), 0.0)
    rows, _ = read(wide)
    for name in ("site_id", "time", "swe_mm", "depth_m", "air_temperature_c"):
        assert rows[name].astype(str).tolist() == expected[name].astype(str).tolist()


def test_what_cannot_be_read_is_told_by_station_and_reading(tmp_path):
    rows, findings = read(written(tmp_path, ["2031-03-01,1o,40,14,3,2o,23", "soon,11,40,14,3,20,23", "2031-03-03,11"]))
    assert len(rows) == 2
    assert [(one.rule.name, one.line, one.site_id, one.evidence) for one in findings] == [
        ("unreadable line", 5, "", "line 5: '2031-03-03,11'"),
        ("no site or time", 4, "ft01", "time = 'soon'; line 4"),
        ("unreadable value", 3, "ft01", "swe_mm = '1o' under 'Fell Top [77] Water in Snow (in) at midnight'"),
        ("unreadable value", 3, "78", "swe_mm = '2o' under 'Hay Col [78] Water in Snow (in) at midnight'"),
    ]  # fmt: skip


def test_all_elements_and_times_that_are_not_there_are_one_message(tmp_path):
    path = written(tmp_path, ["2031-03-01,1,2"], ["Date", f"Fell Top [77] {DEPTH}", "Fell Top [77] Water (in)"])
    _, (lost,) = read(path)
    assert lost.rule.name == "unreadable file"
    assert "no columns 'Day', " in lost.detail
    assert f"'* [{{site}}] {SWE}*', '* [{{site}}] {AIR}*'" in lost.detail
    assert "columns.stations.time, formats.stations.elements" in lost.detail
    assert "The header has: Date, Fell Top [77]" in lost.detail


def test_two_columns_of_one_reading_are_refused(tmp_path):
    _, (lost,) = read(written(tmp_path, ["2031-03-01,1,2"], ["Day", "A [1] SWE", "B [1] SWE"]), FileFormat(
        comment="#", wide="* [{site}] {element}", elements={"swe": "SWE"}, columns={"time": Column(column="Day")}
    ))  # fmt: skip
    assert "the columns 'A [1] SWE' and 'B [1] SWE' both hold swe of 1" in lost.detail


def test_the_longer_text_of_two_elements_counts(tmp_path):
    how = FileFormat(
        comment="#",
        wide="{site} {element}",
        elements={"air_temperature": "Temp", "depth": "Snow Temp"},
        columns={"time": Column(column="Day")},
    )
    rows, _ = read(written(tmp_path, ["2031-03-01,100,2"], ["Day", "Fell Top Snow Temp", "Fell Top Temp"]), how)
    assert rows[["site_id", "depth_m", "air_temperature_c"]].to_numpy().tolist() == [["Fell Top", 1.0, 2.0]]


def test_a_title_of_a_wide_table_is_no_header(tmp_path):
    """A line with the header of the times alone is a title; the next, with stations, is the header."""
    path = tmp_path / "wide.csv"
    path.write_text(f"Day,2031-03-02\nDay,Fell Top [77] {SWE}\n2031-03-01,10\n")
    how = FileFormat(wide=HOW.wide, elements={"swe": SWE}, columns={"time": Column(column="Day")})
    rows, findings = read(path, how)
    assert rows["swe_mm"].tolist() == [10.0]
    assert [(one.rule.name, one.line, one.severity.value) for one in findings] == [("unreadable line", 1, "note")]


def test_a_wide_sheet_and_a_wide_table_without_a_header_line(tmp_path):
    import openpyxl  # noqa: PLC0415  a fifth of a second, needed here alone

    book = openpyxl.Workbook()
    for row in (["Day", "ft01", "hc02"], ["2031-03-01", 10, 20]):
        book.active.append(row)
    book.save(tmp_path / "wide.xlsx")
    rows, _ = read(tmp_path / "wide.xlsx", FileFormat(wide="swe", columns={"time": Column(column="Day")}))
    assert rows[["site_id", "swe_mm"]].to_numpy().tolist() == [["ft01", 10.0], ["hc02", 20.0]]
    path = tmp_path / "wide.csv"
    path.write_text("2031-03-01,10,20\n")
    rows, _ = read(path, FileFormat(wide="swe", header=["time", "ft01", "hc02"]))
    assert rows[["site_id", "swe_mm", "line"]].to_numpy().tolist() == [["ft01", 10.0, 1], ["hc02", 20.0, 1]]


def test_large_wide_files_are_read_in_cached_pieces(tmp_path):
    """A file of several pieces gives the rows it gives at once, the second time from the cache."""
    stations = [f"s{n:02d}" for n in range(40)]
    headers = ["Day", *(f"X [{name}] {element}" for name in stations for element in (SWE, DEPTH))]
    times = np.arange("2015-01-01T00", "2015-12-31T00", 3, dtype="datetime64[h]").astype(str)
    lines = [f"{time}:00Z," + ",".join(f"{n % 90}.{s:02d}5" for s in range(80)) for n, time in enumerate(times)]
    text = "\n".join(lines)
    many = -(-2 * CHUNK // len(text))
    assert many > 1
    how = FileFormat(
        comment="#", wide=HOW.wide, elements={"swe": SWE, "depth": DEPTH}, columns={"time": Column(column="Day")}
    )
    whole = "\n".join(text.replace("2015-", f"{2015 + k}-").replace("-02-29", "-02-28") for k in range(many))
    path = written(tmp_path, [whole], headers)
    assert path.stat().st_size > 2 * CHUNK
    cache = Cache(tmp_path / "cache", writable=True)
    plain, _ = read(path, how)
    first, _ = read(path, how, cache=cache)
    assert len(list((tmp_path / "cache").iterdir())) >= 2
    again, _ = read(path, how, cache=cache)
    for rows in (first, again):
        assert len(rows) == len(plain) == 40 * len(lines) * many
        assert (rows["swe_mm"].to_numpy() == plain["swe_mm"].to_numpy()).all()
        assert (rows["line"].to_numpy() == plain["line"].to_numpy()).all()


def test_words_of_the_site_count_in_wide_tables_too(tmp_path):
    path = written(tmp_path, ["2031-03-01,10,40,14,3,20,23"])
    rows, _ = read_stations(Source([path], {"site_id": Column(values={"78": "hc02"})}, MISSING, [HOW]), 0.0)
    assert sorted(rows["site_id"].unique()) == ["ft01", "hc02"]


def test_a_header_with_an_elements_text_that_fits_no_pattern_is_told(tmp_path):
    """One blank is missing: the station's column would be lost in silence."""
    headers = ["Day", f"Fell Top [77] {DEPTH}", f"HayCol[78] {DEPTH}", "Fell Top [77] Gauge"]
    how = FileFormat(comment="#", wide=HOW.wide, elements={"depth": DEPTH}, columns={"time": Column(column="Day")})
    rows, (told,) = read(written(tmp_path, ["2031-03-01,100,90,3"], headers), how)
    assert rows["site_id"].tolist() == ["77"]
    assert (told.rule.name, told.line, told.severity.value) == ("no such column", 2, "warning")
    assert told.evidence == f"nothing is read from HayCol[78] {DEPTH}"
