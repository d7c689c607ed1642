"""Tables written in other ways: what is proposed for them, and what is read with it."""

import numpy as np
import openpyxl
import pandas as pd
import pytest
from other_ways import (
    COURSES,
    HINT,
    SITES,
    STATIONS,
    Settled,
    assert_courses_are_true,
    assert_stations_are_true,
    canonical,
    lines,
    read_back,
)
from pyproj import Transformer

from snowtally.proposals.tables import propose_tables


def proposed(folder):
    found = propose_tables(sorted(path for path in folder.iterdir() if path.is_file()), HINT)
    assert not found.refusals, "\n".join(map(str, found.refusals))
    return found


def as_day(iso, pattern):
    return pd.Timestamp(iso).strftime(pattern)


def test_semicolons_decimal_commas_german_words_and_a_code(tmp_path):
    canonical(tmp_path, "sites", "stations")
    rows = [["Messstelle", "Datum", "Punkt", "Schneehöhe [cm]", "Kernlänge [cm]", "Wasserwert [mm]", "Bemerkung"]]
    for number, row in enumerate(COURSES.itertuples()):
        core = "-99,9" if number == 7 else f"{row.core_cm:.1f}".replace(".", ",")
        depth = f"{row.depth_cm:.1f}".replace(".", ",")
        rows.append(
            [
                row.site_id,
                as_day(row.date, "%d.%m.%Y"),
                row.point,
                depth,
                core,
                f"{row.swe_mm:.1f}".replace(".", ","),
                "",
            ]
        )
    (tmp_path / "schnee.csv").write_bytes(lines(rows, ";").encode("cp1252"))
    found = proposed(tmp_path)
    keys = Settled.of(found, "courses").keys
    assert (keys["separator"], keys["decimal"], keys["dates"], keys["encoding"]) == (";", ",", "day-first", "cp1252")
    assert keys["columns.depth"] == {"column": "Schneehöhe [cm]"}
    assert found.missing.value == ["-9999", "", "M", "-99,9"]
    assert_courses_are_true(read_back(found, "courses"))


def test_inches_months_first_and_letters_for_gaps(tmp_path):
    canonical(tmp_path, "sites", "courses")
    rows = [["Station", "Date", "SWE (in)", "Snow depth (in)", "Avg temp (F)"]]
    for number, row in enumerate(STATIONS.itertuples()):
        gap = {3: "M", 40: "T"}.get(number)
        swe = gap or f"{row.swe_mm / 25.4:.1f}"
        fahrenheit = row.air_temperature_c * 1.8 + 32
        rows.append([row.site_id, as_day(row.date, "%m/%d/%Y"), swe, f"{row.depth_cm / 2.54:.0f}", f"{fahrenheit:.1f}"])
    (tmp_path / "telemetry.csv").write_text(lines(rows), "utf-8")
    found = proposed(tmp_path)
    keys = Settled.of(found, "stations").keys
    assert keys["dates"] == "month-first"
    assert keys["columns.swe"] == {"column": "SWE (in)", "unit": "inch"}
    assert keys["columns.air_temperature"] == {"column": "Avg temp (F)", "unit": "degF"}
    assert "T" in found.missing.value
    rows = read_back(found, "stations")
    assert_stations_are_true(rows, keys=["swe_mm"], lacking=["QS1 2030-11-04", "QS1 2030-12-11"], off=1.3)
    assert_stations_are_true(rows, keys=["air_temperature_c"], off=0.06)
    assert_stations_are_true(rows, keys=["depth_m"], off=0.6)


def test_titles_a_line_of_units_and_tabs(tmp_path):
    canonical(tmp_path, "sites", "stations")
    head = "Snow survey of the upper basin\nprinted for the meeting\n\n"
    rows = [["Parcours", "Date", "Point", "Hauteur de neige", "Équivalent en eau"], ["", "", "", "(m)", "(mm)"]]
    rows += [
        [r.site_id, as_day(r.date, "%d/%m/%Y"), r.point, f"{r.depth_cm / 100:.2f}", r.swe_mm]
        for r in COURSES.itertuples()
    ]
    (tmp_path / "releve.txt").write_text(head + lines(rows, "\t"), "utf-8")
    found = proposed(tmp_path)
    keys = Settled.of(found, "courses").keys
    assert keys["columns.depth"] == {"column": "Hauteur de neige", "unit": "m"}
    assert keys["separator"] == "\t"
    rows = read_back(found, "courses")
    assert_courses_are_true(rows[rows["date"].notna()])


def test_a_file_a_visit_with_site_and_day_in_its_name(tmp_path):
    canonical(tmp_path, "sites", "stations")
    for (site, day), visit in COURSES.groupby(["site_id", "date"]):
        rows = [["Pt", "Depth (cm)", "SWE (mm)"], *visit[["point", "depth_cm", "swe_mm"]].to_numpy().tolist()]
        (tmp_path / f"snow_{site}_{day.replace('-', '')}.csv").write_text(lines(rows), "utf-8")
    found = proposed(tmp_path)
    keys = Settled.of(found, "courses").keys
    assert keys["columns.site_id"] == {"file_name": "snow_{}_*.csv"}
    assert [path.name for path in found.tables["courses"].paths] == ["snow_QC0*.csv"]
    assert_courses_are_true(read_back(found, "courses"))


def test_a_workbook_with_a_sheet_a_course_and_a_title(tmp_path):
    canonical(tmp_path, "sites", "stations")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for site, own in COURSES.groupby("site_id"):
        sheet = book.create_sheet(site)
        sheet.append([f"Course {site}", None, None, None])
        sheet.append([])
        sheet.append(["Date", "Sample", "Depth [cm]", "SWE [mm]"])
        for row in own.itertuples():
            sheet.append([pd.Timestamp(row.date).to_pydatetime(), int(row.point), row.depth_cm, row.swe_mm])
    book.save(tmp_path / "courses 2031.xlsx")
    found = proposed(tmp_path)
    keys = Settled.of(found, "courses").keys
    assert keys["sheet"] == "*"
    assert keys["columns.site_id"] in ({"title": "Course {}"}, {"sheet_name": "{}"})
    assert_courses_are_true(read_back(found, "courses"))


def test_stations_and_elements_side_by_side(tmp_path):
    canonical(tmp_path, "sites", "courses")
    names = SITES.set_index("site_id")["name"]
    days = sorted(STATIONS["date"].unique())
    header, columns = ["Date"], []
    for site, own in STATIONS.groupby("site_id"):
        header += [f"{names[site]} - SWE (mm)", f"{names[site]} - Snow depth (cm)", f"{names[site]} - Battery (V)"]
        columns += [own["swe_mm"].tolist(), own["depth_cm"].tolist(), [12.5] * len(own)]
    notes = "".join(f"# note {number} of the export\n" for number in range(70))
    rows = [header, *zip(days, *columns, strict=True)]
    (tmp_path / "all_stations.csv").write_text(notes + lines(rows), "utf-8")
    found = proposed(tmp_path)
    keys = Settled.of(found, "stations").keys
    assert keys["wide"] == "{site} - {element}"
    assert keys["elements"] == {"swe": "SWE (mm)", "depth": "Snow depth (cm)"}
    assert keys["stations"] == {"Fell Top": "QS1", "Mossy Gap": "QS2", "High Stand": "QS3"}
    assert_stations_are_true(read_back(found, "stations"))


@pytest.mark.parametrize(("word", "said"), [("QZK [mm]", "QZK [mm]"), ("QZK", "QZK"), ("Battery (V)", "")])
def test_an_element_beside_depth_that_may_be_its_water_is_refused(tmp_path, word, said):
    canonical(tmp_path, "sites", "courses")
    days = sorted(STATIONS["date"].unique())
    header, columns = ["Date"], []
    for site, own in STATIONS.groupby("site_id"):
        header += [f"{site} {word}", f"{site} Snow depth (cm)"]
        columns += [own["swe_mm"].tolist(), own["depth_cm"].tolist()]
    (tmp_path / "all.csv").write_text(lines([header, *zip(days, *columns, strict=True)]), "utf-8")
    found = [text for text in refused(tmp_path) if "recognised as swe" in text]
    assert len(found) == (1 if said else 0)
    assert all(f"'{said}'" in text and "all.csv" in text for text in found)


def test_a_column_a_station_and_a_file_a_reading(tmp_path):
    canonical(tmp_path, "sites", "courses")
    days = sorted(STATIONS["date"].unique())
    for key, name in (("swe_mm", "swe_mm"), ("depth_cm", "snow_depth_cm")):
        wide = STATIONS.pivot_table(index="date", columns="site_id", values=key, sort=False)
        rows = [["date", *wide.columns], *([day, *wide.loc[day]] for day in days)]
        (tmp_path / f"{name}.csv").write_text(lines(rows), "utf-8")
    found = proposed(tmp_path)
    assert sorted(str({p.key: p.value for p in g.proposals}["wide"]) for g in found.tables["stations"].groups) == [
        "depth",
        "swe",
    ]
    assert_stations_are_true(read_back(found, "stations"))


def test_a_row_a_season_and_a_group_a_month(tmp_path):
    canonical(tmp_path, "sites", "stations")
    means = COURSES.groupby(["site_id", "date"])[["depth_cm", "swe_mm"]].mean().reset_index()
    for site, own in means.groupby("site_id"):
        head = [
            "Winter",
            *(
                name
                for month in ("Feb", "Mar", "Apr", "May")
                for name in (f"{month} date", f"{month} depth cm", f"{month} SWE mm")
            ),
        ]
        rows = [head]
        for year in (2029, 2030, 2031):
            row = [year]
            for visit in own.itertuples():
                day = pd.Timestamp(visit.date)
                row += [day.strftime("%b %d"), f"{visit.depth_cm - 2031 + year:.1f}", f"{visit.swe_mm:.0f}"]
            rows.append(row)
        (tmp_path / f"{site}.csv").write_text(f"# Snow course: {site}\n" + lines(rows), "utf-8")
    found = proposed(tmp_path)
    keys = Settled.of(found, "courses").keys
    assert keys["monthly"] == {"season": "Winter", "group": ["date", "depth", "swe"]}
    rows = read_back(found, "courses")
    rows = rows[rows["date"].dt.year == 2031].sort_values(["site_id", "date"]).reset_index(drop=True)
    assert rows["site_id"].tolist() == means["site_id"].tolist()
    assert rows["date"].dt.strftime("%Y-%m-%d").tolist() == means["date"].tolist()
    assert np.allclose(rows["depth_m"] * 100, means["depth_cm"], atol=0.06)
    assert np.allclose(rows["swe_mm"], means["swe_mm"], atol=0.51)
    # A word that says nothing of SWE is told: the depth alone would be read in silence.
    for path in tmp_path.glob("QC*.csv"):
        path.write_text(path.read_text("utf-8").replace("SWE mm", "yield mm"), "utf-8")
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert "nothing tells what stands under 'Feb yield mm'" in "\n".join(map(str, found.refusals))


def test_sites_in_a_projected_system_in_feet_with_other_words_for_the_kind(tmp_path):
    canonical(tmp_path, "courses", "stations")
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32627", always_xy=True).transform(
        SITES["longitude"].to_numpy(), SITES["latitude"].to_numpy()
    )
    rows = [["Site", "Site name", "Type", "Easting", "Northing", "Elev (ft)"]]
    for row, x, y in zip(SITES.itertuples(), east, north, strict=True):
        kind = "Snow Course" if row.kind == "course" else "Pillow"
        rows.append([row.site_id, row.name, kind, round(x), round(y), round(row.elevation_m / 0.3048)])
    (tmp_path / "site_list.csv").write_text(lines(rows), "utf-8")
    found = proposed(tmp_path)
    keys = Settled.of(found, "sites").keys
    assert keys["crs"] == "EPSG:32627"
    assert keys["columns.kind"] == {"column": "Type", "values": {"Snow Course": "course", "Pillow": "station"}}
    assert keys["columns.elevation"] == {"column": "Elev (ft)", "unit": "foot"}
    read = read_back(found, "sites").set_index("site_id").loc[SITES["site_id"]]
    assert np.allclose(read["longitude"], SITES["longitude"], atol=1e-4)
    assert np.allclose(read["elevation_m"], SITES["elevation_m"], atol=0.2)
    assert read["kind"].tolist() == SITES["kind"].tolist()


def test_two_digit_years_and_names_for_identifiers(tmp_path):
    canonical(tmp_path, "sites", "stations")
    names = SITES.set_index("site_id")["name"]
    rows = [["Course", "Visited on", "Sample", "Depth (cm)", "SWE (mm)"]]
    rows += [
        [names[r.site_id], as_day(r.date, "%d.%m.%y"), r.point, r.depth_cm, r.swe_mm] for r in COURSES.itertuples()
    ]
    (tmp_path / "book.csv").write_text(lines(rows), "utf-8")
    found = proposed(tmp_path)
    keys = Settled.of(found, "courses").keys
    assert keys["dates"] == "%d.%m.%y"
    assert keys["columns.site_id"]["values"]["Tarn Edge"] == "QC02"
    assert_courses_are_true(read_back(found, "courses"))


def test_weights_in_ounces_with_a_bore_in_inches(tmp_path):
    canonical(tmp_path, "sites", "stations")
    area = np.pi / 4 * (1.485 * 2.54) ** 2
    rows = [["Course", "Date", "No.", "Depth (in)", "Full (oz)", "Empty (oz)", "Diameter (in)"]]
    for r in COURSES.itertuples():
        net = r.swe_mm / 10 * area / 28.349523
        rows.append([r.site_id, r.date, r.point, f"{r.depth_cm / 2.54:.1f}", f"{net + 31:.2f}", 31, 1.485])
    (tmp_path / "weighed.csv").write_text(lines(rows), "utf-8")
    found = proposed(tmp_path)
    keys = Settled.of(found, "courses").keys
    assert keys["columns.mass_full"] == {"column": "Full (oz)", "unit": "ounce"}
    assert keys["columns.cutter"] == {"column": "Diameter (in)", "unit": "inch"}
    assert_courses_are_true(read_back(found, "courses"), swe_off=0.6)


@pytest.mark.parametrize("way", ["spread", "bare"])
def test_units_that_nothing_says_are_told_by_density_or_asked(tmp_path, way):
    canonical(tmp_path, "sites", "stations")
    by = {"spread": (1.0, 1.0), "bare": (2.54, 25.4)}[way]
    rows = [["Course", "Date", "Sample", "Depth", "SWE"]]
    rows += [
        [r.site_id, r.date, r.point, f"{r.depth_cm / by[0]:.1f}", f"{r.swe_mm / by[1]:.2f}"]
        for r in COURSES.itertuples()
    ]
    (tmp_path / "plain.csv").write_text(lines(rows), "utf-8")
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    (group,) = found.tables["courses"].groups
    depth = next(one for one in group.proposals if one.key == "columns.depth")
    if way == "spread":
        assert depth.value == {"column": "Depth"}
        assert not depth.others
        assert_courses_are_true(read_back(found, "courses"))
    else:
        # Inches of depth and of water look like centimetres of both.
        assert not depth.is_safe
        assert {"column": "Depth", "unit": "inch"} in (depth.value, *depth.others)


def refused(folder):
    found = propose_tables(sorted(folder.iterdir()), HINT)
    return [str(one) for one in found.refusals]


def rows_of_courses(*headers, **cells):
    """Return the made samples as rows: cells by name are functions of a row, the rest are its canonical values."""
    usual = {"site": "site_id", "date": "date", "point": "point", "depth": "depth_cm", "swe": "swe_mm"}
    return [
        list(headers),
        *(
            [cells.get(name, lambda row, of=of: getattr(row, of))(row) for name, of in usual.items()]
            for row in COURSES.itertuples()
        ),
    ]


def test_days_and_months_that_nothing_tells_apart_are_asked(tmp_path):
    canonical(tmp_path, "sites", "stations")
    month = {"01": "01/02/2031", "02": "01/03/2031", "04": "01/04/2031", "05": "01/05/2031"}
    rows = rows_of_courses("Course", "Date", "Point", "Depth (cm)", "SWE (mm)", date=lambda row: month[row.date[5:7]])
    (tmp_path / "c.csv").write_text(lines(rows), "utf-8")
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    dates = next(one for one in found.tables["courses"].groups[0].proposals if one.key == "dates")
    assert {dates.value, *dates.others} == {"day-first", "month-first"}
    assert not dates.is_safe


def test_a_column_of_snow_with_an_unknown_name_is_a_question(tmp_path):
    canonical(tmp_path, "sites", "stations")
    (tmp_path / "c.csv").write_text(
        lines(rows_of_courses("Course", "Date", "Point", "Depth (cm)", "Column 5")), "utf-8"
    )
    (group,) = propose_tables(sorted(tmp_path.iterdir()), HINT).tables["courses"].groups
    swe = next(one for one in group.proposals if one.key == "columns.swe")
    assert (swe.value, swe.others, swe.is_safe) == ({"column": "Column 5"}, ({},), False)


def test_a_column_that_is_nothing_known_is_refused(tmp_path):
    canonical(tmp_path, "sites", "stations")
    rows = rows_of_courses("Course", "Date", "Point", "Depth (cm)", "Qzx", swe=lambda row: int(row.point) * 7 % 5)
    (tmp_path / "c.csv").write_text(lines(rows), "utf-8")
    assert any("c.csv, column 'Qzx': no column is recognised as swe or mass_full" in one for one in refused(tmp_path))


def test_hours_in_a_column_of_their_own_are_refused(tmp_path):
    canonical(tmp_path, "sites", "courses")
    rows = [["Station", "Date", "Hour", "SWE (mm)"]]
    rows += [[r.site_id, r.date, hour, r.swe_mm] for r in STATIONS.itertuples() for hour in ("06:00", "18:00")]
    (tmp_path / "s.csv").write_text(lines(rows), "utf-8")
    assert any("Write day and time of day into one column" in one for one in refused(tmp_path))


def test_fields_apart_by_blanks_are_refused(tmp_path):
    canonical(tmp_path, "sites", "stations")
    text = "\n".join(
        "".join(f"{cell!s:12}" for cell in row) for row in rows_of_courses("Course", "Date", "Point", "Depth", "SWE")
    )
    (tmp_path / "c.txt").write_text(text, "utf-8")
    assert any("c.txt: its fields stand apart by blanks alone. Save it with commas" in one for one in refused(tmp_path))


def test_longitudes_without_their_minus_are_refused(tmp_path):
    canonical(tmp_path, "courses", "stations")
    SITES.assign(longitude=-SITES["longitude"]).to_csv(tmp_path / "sites.csv", index=False)
    assert any(
        "column 'longitude': 'longitude' lacks the minus of western longitudes" in one for one in refused(tmp_path)
    )


def test_a_code_that_is_a_measurement_elsewhere_is_refused(tmp_path):
    canonical(tmp_path, "sites", "stations")
    rows = rows_of_courses(
        "site_id", "date", "point", "depth_cm", "swe_mm", swe=lambda row: -99 if row.point == "5" else row.swe_mm
    )
    (tmp_path / "courses.csv").write_text(lines(rows), "utf-8")
    air = STATIONS.rename(columns={"date": "time"})
    air["point"] = "-99"
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert found.missing.value == ["-9999", "", "M", "-99"]
    assert not found.refusals
    sites = SITES.assign(name=["-99" if site == "QC02" else site for site in SITES["site_id"]])
    sites.to_csv(tmp_path / "sites.csv", index=False)
    assert any(
        "column 'name': -99 is a value of it, and means no value in courses.csv" in one for one in refused(tmp_path)
    )


def test_kinds_of_sites_are_told_by_the_tables_that_they_stand_in(tmp_path):
    canonical(tmp_path, "courses", "stations")
    SITES.drop(columns="kind").to_csv(tmp_path / "sites.csv", index=False)
    found = proposed(tmp_path)
    assert (
        read_back(found, "sites").set_index("site_id")["kind"].to_dict() == SITES.set_index("site_id")["kind"].to_dict()
    )


def test_degrees_and_minutes_in_one_number(tmp_path):
    canonical(tmp_path, "courses", "stations")

    def written(degrees):
        return np.sign(degrees) * (np.floor(np.abs(degrees)) * 100 + np.abs(degrees) % 1 * 60)

    sites = SITES.assign(longitude=written(SITES["longitude"]), latitude=written(SITES["latitude"]))
    sites.to_csv(tmp_path / "sites.csv", index=False, float_format="%.2f")
    read = read_back(proposed(tmp_path), "sites").set_index("site_id").loc[SITES["site_id"]]
    assert np.allclose(read["longitude"], SITES["longitude"], atol=2e-4)
    assert np.allclose(read["latitude"], SITES["latitude"], atol=2e-4)


def test_a_file_a_station_in_local_time_whose_clock_a_line_says(tmp_path):
    canonical(tmp_path, "sites", "courses")
    for site, own in STATIONS.groupby("site_id"):
        rows = [
            ["TIMESTAMP", "SWE_mm", "HS_cm"],
            *([f"{r.date} 12:00:00", r.swe_mm, r.depth_cm] for r in own.itertuples()),
        ]
        (tmp_path / f"CR_{site}_daily.dat").write_text("All times in UTC-1\n" + lines(rows), "utf-8")
    found = proposed(tmp_path)
    keys = Settled.of(found, "stations").keys
    assert keys["clock"] == -1.0
    assert keys["columns.site_id"] == {"file_name": "CR_{}_daily.dat"}
    assert not found.tables["stations"].groups[0].lacks_clock
    assert_stations_are_true(read_back(found, "stations"))


def test_a_clock_that_nothing_says_is_told_as_lacking(tmp_path):
    canonical(tmp_path, "sites", "courses")
    STATIONS.assign(time=STATIONS["date"] + " 12:00").drop(columns="date").to_csv(tmp_path / "s.csv", index=False)
    (group,) = proposed(tmp_path).tables["stations"].groups
    assert group.lacks_clock


def test_a_workbook_a_course_with_a_sheet_a_visit_titles_and_a_foot_row(tmp_path):
    canonical(tmp_path, "sites", "stations")
    names = SITES.set_index("site_id")["name"]
    for site, own in COURSES.groupby("site_id"):
        book = openpyxl.Workbook()
        book.remove(book.active)
        for day, visit in own.groupby("date"):
            sheet = book.create_sheet(day)
            for row in (
                ["Snow survey sheet", None, None],
                ["Course:", names[site], None],
                ["Pt", "Depth (cm)", "SWE (mm)"],
            ):
                sheet.append(row)
            for row in visit.itertuples():
                sheet.append([int(row.point), row.depth_cm, row.swe_mm])
            sheet.append(["Average", float(visit["depth_cm"].mean()), float(visit["swe_mm"].mean())])
        book.save(tmp_path / f"{names[site]}.xlsx")
    found = proposed(tmp_path)
    keys = Settled.of(found, "courses").keys
    assert keys["columns.date"] == {"sheet_name": "{}"}
    assert keys["columns.site_id"]["title"] == "Course: {}"
    assert_courses_are_true(read_back(found, "courses"))


def test_names_of_months_before_the_day_and_a_table_of_visits_with_coordinates(tmp_path):
    canonical(tmp_path, "sites", "stations")
    header = ["Lat", "Lon", *rows_of_courses("Course", "Date", "Point", "Depth in", "SWE in")[0]]
    rows = rows_of_courses(
        date=lambda row: as_day(row.date, "%b %d, %Y"),
        depth=lambda row: f"{row.depth_cm / 2.54:.1f}",
        swe=lambda row: f"{row.swe_mm / 25.4:.2f}",
    )[1:]
    where = SITES.set_index("site_id")[["latitude", "longitude"]]
    (tmp_path / "visits.csv").write_text(lines([header, *([*where.loc[row[0]], *row] for row in rows)]), "utf-8")
    found = proposed(tmp_path)
    assert Settled.of(found, "courses").keys["dates"] == "%b %d, %Y"
    assert_courses_are_true(read_back(found, "courses"))
