"""Station records from many files, steps, layouts and clocks: one row a site and time, nothing guessed, much told briefly."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from snowtally.inputs import lines
from snowtally.inputs.formats import FileFormat
from snowtally.inputs.read_stations import Window, read_stations
from snowtally.inputs.source import Source
from snowtally.settings.blocks import Column
from snowtally.storage.cache import Cache

HEADER = "site_id,time,swe_mm,depth_cm,air_temperature_c\n"


def written(tmp_path, text, name="stations.csv"):
    path = tmp_path / name
    path.write_text(text)
    return path


def read(*paths, columns=None, offset=-2.0, cache=None, formats=(), **how):
    source = Source(list(paths), columns or {}, ["", "-9999", "M"], formats)
    rows, findings = read_stations(source, offset, Window(**how), None if cache is None else Cache(cache))
    # Made-up readings have made-up densities: the units have a test of their own.
    return rows, [finding for finding in findings if finding.rule.name not in {"no such column", "unit looks wrong"}]


def times(rows):
    return rows["time"].dt.strftime("%Y-%m-%dT%H:%MZ").tolist()


# --- clocks -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "clock", "expected"),
    [
        ("2031-03-01T06:00-02:00", None, "2031-03-01T08:00Z"),
        ("2031-03-01T06:00-02:00", -7.0, "2031-03-01T08:00Z"),  # a written offset counts
        ("2031-03-01 06:00:00+0530", None, "2031-03-01T00:30Z"),
        ("2031-03-01T24:00Z", None, "2031-03-02T00:00Z"),
        ("2031-03-01", None, "2031-03-01T14:00Z"),  # noon by the basin's clock
        ("2031-03-01T06:00", -7.0, "2031-03-01T13:00Z"),
        ("2031-03-01T06:00", 5.75, "2031-03-01T00:15Z"),
        ("2031-03-01T06:00", "MST7MDT", "2031-03-01T13:00Z"),
        ("2031-07-01T06:00", "MST7MDT", "2031-07-01T12:00Z"),
    ],
)
def test_times_are_instants(tmp_path, text, clock, expected):
    rows, findings = read(written(tmp_path, HEADER + f"A,{text},5,50,-3\n"), formats=[FileFormat(clock=clock)])
    assert findings == []
    assert times(rows) == [expected]


def test_a_local_time_without_a_clock_is_told(tmp_path):
    text = HEADER + "".join(f"{site},2031-03-01T{hour:02d}:00,5,50,-3\n" for site in "AB" for hour in range(6))
    rows, findings = read(written(tmp_path, text), formats=[FileFormat(clocks={"B": -7})])
    assert set(rows["site_id"]) == {"B"}
    assert [(f.rule.name, f.site_id, f.line, f.evidence) for f in findings] == [
        ("no site or time", "A", 2, "6 rows of lines 2 to 7"),
        ("few usable rows", "", 0, "6 of 12 rows can be used"),
    ]
    assert "say under formats.stations how many hours its clock is ahead of UTC" in findings[0].detail


def test_the_hour_that_is_shown_twice_is_told(tmp_path):
    """MST7MDT: on 2031-11-02 the clock goes from 02:00 back to 01:00 (08:00 UTC)."""
    shown = ["00:00", "01:00", "01:30", "01:00", "01:30", "02:00"]
    text = HEADER + "".join(f"A,2031-11-02T{time},{n},50,-3\n" for n, time in enumerate(shown))
    text += "B,2031-11-02T01:00,9,50,-3\n"
    rows, findings = read(written(tmp_path, text), formats=[FileFormat(clock="MST7MDT")])
    one = rows[rows["site_id"] == "A"]
    assert times(one) == [f"2031-11-02T{t}Z" for t in ("06:00", "07:00", "07:30", "08:00", "08:30", "09:00")]
    assert one["swe_mm"].tolist() == [0, 1, 2, 3, 4, 5]
    assert times(rows[rows["site_id"] == "B"]) == ["2031-11-02T08:00Z"]
    assert [(f.rule.name, f.site_id, f.evidence, f.action) for f in findings] == [
        ("ambiguous time", "A", "4 readings", "used"),
        ("ambiguous time", "B", "1 readings", "used"),
    ]


def test_the_hour_that_a_clock_skips_is_no_time(tmp_path):
    """MST7MDT: on 2031-03-09 the clock goes from 02:00 to 03:00."""
    text = HEADER + "A,2031-03-09T01:30,1,50,-3\nA,2031-03-09T02:30,2,50,-3\nA,2031-03-09T03:30,3,50,-3\n"
    rows, findings = read(written(tmp_path, text), formats=[FileFormat(clock="MST7MDT")])
    assert times(rows) == ["2031-03-09T08:30Z", "2031-03-09T09:30Z"]
    assert [(f.rule.name, f.line) for f in findings] == [("no site or time", 3)]
    assert "skips this hour" in findings[0].detail


# --- what is sent again -----------------------------------------------------------------------------------------------


def test_the_later_row_counts_and_many_are_told_as_one(tmp_path):
    hours = pd.date_range("2031-03-01", periods=50, freq="h").strftime("%Y-%m-%dT%H:%MZ")
    one = written(tmp_path, HEADER + "".join(f"A,{t},{n},50,-3\n" for n, t in enumerate(hours[:40])), "a.csv")
    again = "".join(f"A,{t},{n + (n == 35)},50,-3\n" for n, t in enumerate(hours) if n >= 30)
    other = written(tmp_path, HEADER + again, "b.csv")
    rows, findings = read(one, other)
    assert len(rows) == 50
    assert rows["swe_mm"].tolist() == [n + (n == 35) for n in range(50)]
    assert rows["file"].astype(str).tolist() == [str(one)] * 30 + [str(other)] * 20
    assert len(findings) == 1
    told = findings[0]
    assert (told.rule.name, told.file, told.line, told.site_id) == ("duplicate", str(one), 32, "A")
    assert (told.start, told.end) == ("2031-03-02T06:00:00Z", "2031-03-02T15:00:00Z")
    assert told.evidence == "10 rows with the same site_id and time further on, 1 with other values"


def test_a_later_file_with_other_readings_is_no_correction(tmp_path):
    swe = written(tmp_path, "site_id,time,swe_mm\nA,2031-03-01,300\nA,2031-03-02,310\n", "swe.csv")
    depth = written(tmp_path, "site_id,time,depth_cm\nA,2031-03-01,100\nA,2031-03-02,102\n", "depth.csv")
    rows, findings = read(swe, depth)
    assert findings == []
    assert rows["swe_mm"].tolist() == [300, 310]
    assert rows["depth_m"].tolist() == [1.0, 1.02]


def test_an_empty_cell_sent_later_withdraws_the_value(tmp_path):
    one = written(tmp_path, HEADER + "A,2031-03-01,300,100,-3\n", "a.csv")
    other = written(tmp_path, HEADER + "A,2031-03-01,,101,-3\n", "b.csv")
    rows, findings = read(one, other)
    assert np.isnan(rows.loc[0, "swe_mm"])
    assert rows.loc[0, "depth_m"] == 1.01
    assert [f.rule.name for f in findings] == ["duplicate"]


def test_order_of_lines_and_of_stations_changes_nothing(tmp_path):
    rng = np.random.default_rng(4)
    hours = pd.date_range("2031-03-01", periods=200, freq="5min").strftime("%Y-%m-%dT%H:%MZ")
    body = [f"{site},{t},{rng.integers(1, 400)},50,-3\n" for t in hours for site in ("C", "A", "B")]
    first, _ = read(written(tmp_path, HEADER + "".join(body), "a.csv"))
    turned, _ = read(written(tmp_path, HEADER + "".join(rng.permutation(body)), "a.csv"))
    pd.testing.assert_frame_equal(first.drop(columns="line"), turned.drop(columns="line"))
    assert first["site_id"].tolist() == ["A"] * 200 + ["B"] * 200 + ["C"] * 200
    assert first["time"].groupby(first["site_id"], observed=True).is_monotonic_increasing.all()


def test_many_unreadable_values_are_one_finding_with_their_count(tmp_path):
    text = HEADER + "".join(f"A,2031-03-{d:02d},bad{d},50,-3\n" for d in range(1, 21)) + "B,2031-03-01,x,50,-3\n"
    rows, findings = read(written(tmp_path, text))
    assert len(rows) == 21
    assert [(f.site_id, f.line, f.start[:10], f.end[:10], f.evidence) for f in findings] == [
        ("A", 2, "2031-03-01", "2031-03-20", "swe_mm = 'bad1' and others, 20 values of lines 2 to 21"),
        ("B", 22, "2031-03-01", "2031-03-01", "swe_mm = 'x'"),
        ("", 0, "2031-03-01", "2031-03-20", "swe_mm: 0 of 21 values can be read"),
    ]


# --- which days -------------------------------------------------------------------------------------------------------


def test_the_days_wanted_and_of_earlier_ones_the_last_with_snow(tmp_path):
    text = HEADER
    for day in pd.date_range("2031-01-01", "2031-01-20"):
        snow = "300" if day.day <= 3 else ""
        text += f"A,{day:%Y-%m-%d},{snow},,-3\nB,{day:%Y-%m-%d},,,-4\nC,{day:%Y-%m-%d},x{day.day},100,-4\n"
    path = written(tmp_path, text)
    rows, findings = read(path, since=dt.date(2031, 1, 10), until=dt.date(2031, 1, 12))
    days = {site: part["date"].dt.day.tolist() for site, part in rows.groupby("site_id", observed=True)}
    assert days == {"A": [3, 10, 11, 12], "B": [9, 10, 11, 12], "C": [9, 10, 11, 12]}
    # What is wrong with later days' rows is told on those days.
    assert max(f.end[:10] for f in findings) == "2031-01-12"
    everything, _ = read(path)
    wanted = everything[everything["date"].between("2031-01-10", "2031-01-12")].reset_index(drop=True)
    found = rows[rows["date"] >= pd.Timestamp("2031-01-10")].reset_index(drop=True)
    pd.testing.assert_frame_equal(wanted, found)


# --- wide tables ------------------------------------------------------------------------------------------------------


def test_a_wide_table_has_a_column_a_station(tmp_path):
    path = written(tmp_path, "time,A,B\n2031-03-01,11.5,M\n2031-03-02,12,9.x\n\n2031-03-03,13,10,7\nsoon,1,2\n")
    columns = {"swe": Column(unit="inch")}
    rows, findings = read(path, columns=columns, formats=[FileFormat(wide="swe")])
    by_site = {site: part["swe_mm"].tolist() for site, part in rows.groupby("site_id", observed=True)}
    assert by_site["A"] == pytest.approx([11.5 * 25.4, 12 * 25.4])
    assert len(by_site["B"]) == 1
    assert np.isnan(by_site["B"]).all()
    told = sorted((f.rule.name, f.line, f.evidence) for f in findings)
    assert told == [
        ("no site or time", 6, "time = 'soon'; line 6"),
        ("unreadable line", 5, "line 5: '2031-03-03,13,10,7'"),
        ("unreadable value", 3, "swe_mm = '9.x'"),
    ]


def test_a_wide_tables_columns_may_be_named(tmp_path):
    path = written(tmp_path, "time;A SWE;A flag\n01.03.2031 06:00;300,5;ok\n")
    how = FileFormat(wide="swe", stations={"A SWE": "A"}, clock=-2, dates="day-first", decimal=",")
    rows, findings = read(path, formats=[how])
    assert findings == []
    assert rows[["site_id", "swe_mm"]].to_numpy().tolist() == [["A", 300.5]]
    _, findings = read(path, formats=[FileFormat(wide="swe", stations={"B SWE": "B"})])
    assert "no column 'B SWE'" in findings[0].detail


# --- units ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("swe", "depth", "temperature", "guess"),
    [
        (12.0, 120.0, -5.0, "SWE in inch and depth in cm would give 254"),
        (12.0, 47.0, -5.0, "SWE in inch and depth in inch would give 255"),
        (300.0, 1.2, -5.0, "SWE in mm and depth in m would give 250"),
        (300.0, 120.0, 263.0, "kelvin would explain it"),
        (300.0, 120.0, 60.0, "degF would explain it"),
    ],
)
def test_a_unit_that_nobody_declared_is_told(tmp_path, swe, depth, temperature, guess):
    text = HEADER + "".join(f"A,2031-03-{d:02d},{swe},{depth},{temperature}\n" for d in range(1, 20))
    _, findings = read_stations(Source([written(tmp_path, text)], {}, []), 0.0)
    assert [(f.rule.name, f.action) for f in findings] == [("unit looks wrong", "used")]
    assert guess in findings[0].evidence


def test_sound_units_are_not_told(tmp_path):
    text = HEADER + "".join(f"A,2031-03-{d:02d},{30 * d},{10 * d},{d - 10}\n" for d in range(1, 20))
    assert read_stations(Source([written(tmp_path, text)], {}, []), 0.0)[1] == []


# --- large files ------------------------------------------------------------------------------------------------------


def long_table(days):
    hours = pd.date_range("2030-10-01", periods=24 * days, freq="h").strftime("%Y-%m-%dT%H:%MZ")
    body = [f"{site},{t},{n % 700}.5,{n % 300},-3.5\n" for n, t in enumerate(hours) for site in ("A", "B")]
    body[77] = "A,2030-10-02T14:00Z,1x,50,-3.5\n"
    body[201] = "B,a note between,the lines\n"
    return HEADER + "".join(body)


@pytest.fixture
def small_chunks(monkeypatch):
    """Chunks of 2 kB, so that a small file is read as a large one is."""
    monkeypatch.setattr(lines, "CHUNK", 2000)
    monkeypatch.setattr("snowtally.inputs.read_stations.CHUNK", 2000)


@pytest.mark.usefixtures("small_chunks")
def test_what_is_kept_gives_the_same_rows_and_findings(tmp_path):
    path, cache = written(tmp_path, long_table(40)), tmp_path / "cache"
    for window in ({}, {"since": dt.date(2030, 11, 1), "until": dt.date(2030, 11, 5)}):
        plain = read(path, **window)
        for _ in range(2):
            again = read(path, cache=cache, **window)
            pd.testing.assert_frame_equal(plain[0], again[0])
            assert plain[1] == again[1]


@pytest.mark.usefixtures("small_chunks")
@pytest.mark.parametrize("offset", [-11.0, 0.0, 13.0])
def test_some_days_alone_are_the_same_rows_as_among_all(tmp_path, offset):
    path = written(tmp_path, long_table(60))
    days = [dt.date(2030, 10, 9), dt.date(2030, 11, 20)]
    span = {"since": days[0], "until": days[1], "offset": offset}
    every, some = (read(path, cache=tmp_path / "cache", **span, **more)[0] for more in ({}, {"days": frozenset(days)}))
    wanted = pd.to_datetime(days)
    pd.testing.assert_frame_equal(
        some[some["date"].isin(wanted)].reset_index(drop=True), every[every["date"].isin(wanted)].reset_index(drop=True)
    )
    assert 0 < some["date"].isin(wanted).sum() < len(some) < len(every) / 3


@pytest.mark.usefixtures("small_chunks")
def test_a_file_that_grew_is_read_again_only_at_its_end(tmp_path, monkeypatch):
    whole = long_table(41)
    path, cache = written(tmp_path, long_table(40)), tmp_path / "cache"
    read(path, cache=cache)
    path.write_text(whole)
    split_at = []
    plain = lines.split
    monkeypatch.setattr(
        "snowtally.inputs.read_stations.split",
        lambda chunk, layout: split_at.append(len(chunk)) or plain(chunk, layout),
    )
    grown = read(path, cache=cache)
    assert sum(split_at) < 5000 < len(whole) / 10
    pd.testing.assert_frame_equal(grown[0], read(path)[0])


@pytest.mark.usefixtures("small_chunks")
@pytest.mark.parametrize("harm", ["cut", "flip", "empty", "swap"])
def test_damaged_keeping_is_as_none(tmp_path, harm):
    path, cache = written(tmp_path, long_table(20)), tmp_path / "cache"
    plain = read(path, cache=cache)
    files = sorted(file for file in cache.iterdir() if not file.name.endswith(".last"))
    whole = [file.read_bytes() for file in files]
    for n, file in enumerate(files):
        data = bytearray(whole[n])
        data[len(data) // 2] ^= 1
        file.write_bytes({"cut": whole[n][:100], "flip": bytes(data), "empty": b"", "swap": whole[n - 1]}[harm])
    again = read(path, cache=cache)
    pd.testing.assert_frame_equal(plain[0], again[0])
    assert plain[1] == again[1]


@pytest.mark.usefixtures("small_chunks")
def test_other_settings_use_nothing_that_was_kept_before(tmp_path):
    path, cache = written(tmp_path, long_table(20)), tmp_path / "cache"
    read(path, cache=cache)
    rows, _ = read(path, cache=cache, columns={"swe": Column(unit="cm")})
    pd.testing.assert_frame_equal(rows, read(path, columns={"swe": Column(unit="cm")})[0])


def test_a_folder_that_cannot_be_written_is_no_trouble(tmp_path, monkeypatch):
    monkeypatch.setattr(lines, "CHUNK", 2000)
    monkeypatch.setattr("snowtally.inputs.read_stations.CHUNK", 2000)
    path = written(tmp_path, long_table(5))
    (tmp_path / "file").write_text("")
    assert len(read(path, cache=tmp_path / "file" / "cache")[0]) == 24 * 5 * 2 - 2
