"""The pieces of a page: colours, pictures, looked-up values, units, axes."""

import base64
import io
import re
import zlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from snowtally.report import axes, charts, day_tables
from snowtally.report.colours import ERROR, LESS, LEVELS, MORE, WATER, diverging, oklab, sequential, srgb
from snowtally.report.pictures import SHADES, Stepped, borders, legend, pack, picture, shade
from snowtally.report.published import MOST_CELLS, with_seasons
from snowtally.report.svg import Scale, tag, ticks
from snowtally.report.units import METRIC, US, Unit
from snowtally.report.words import MONTHS

SHORT_MONTHS = tuple(name[:3] for name in MONTHS)

# Machado, Oliveira and Fernandes 2009, "A physiologically-based model for simulation of color vision deficiency",
# severity 1.0, on linear RGB; matrices from memory, rows sum to 1.
DEFICIENT = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def seen(colours, eye):
    rgb = colours / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    linear = np.clip(linear @ np.array(DEFICIENT[eye]).T, 0, 1)
    return oklab(np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055))


def test_oklab_of_white_black_and_red():
    # Values of Ottosson 2020 (from memory): white is lightness 1 without hue, red (0.628, 0.225, 0.126).
    lab = oklab(np.array([[1.0, 1, 1], [0, 0, 0], [1, 0, 0]]))
    np.testing.assert_allclose(lab, [[1, 0, 0], [0, 0, 0], [0.62796, 0.22486, 0.12585]], atol=2e-4)
    np.testing.assert_allclose(srgb(lab), [[1, 1, 1], [0, 0, 0], [1, 0, 0]], atol=2e-3)


@pytest.mark.parametrize("anchors", [WATER, ERROR])
def test_lightness_falls_evenly_for_every_eye(anchors):
    colours = sequential(anchors)
    steps = -np.diff(oklab(colours / 255)[:, 0])
    # Even to the rounding of a colour to whole numbers, which moves lightness by up to 0.004.
    np.testing.assert_allclose(steps, steps.mean(), atol=0.008)
    for eye in DEFICIENT:
        # Whatever an eye lacks, more is darker throughout.
        assert (np.diff(seen(colours, eye)[:, 0]) < 0).all(), eye


def test_more_and_less_are_told_apart_by_every_eye():
    colours = diverging(LESS, MORE)
    assert colours.shape == (LEVELS, 3)
    for eye in DEFICIENT:
        lab = seen(colours, eye)
        apart = np.linalg.norm(lab[: LEVELS // 2] - lab[::-1][: LEVELS // 2], axis=1)
        # From a third of the scale on; 0.02 is about what can just be told apart in Oklab.
        assert (apart[: LEVELS // 3] > 0.06).all(), eye


def test_ground_facing_the_sun_is_bright():
    x, y = np.meshgrid(np.arange(9.0), np.arange(7.0))
    # Rows run southward: rising to the south-east is a slope that faces the north-west, where the light comes from.
    facing, away = shade(50 * (x + y), 100.0)[3, 4], shade(-50 * (x + y), 100.0)[3, 4]
    level = shade(np.zeros((7, 9)), 100.0)[3, 4]
    assert level == pytest.approx(np.sin(np.radians(45)))
    assert facing > level > away
    assert np.isfinite(shade(np.where(x > 4, np.nan, x), 100.0)).all()


def test_a_picture_holds_each_cell_where_it_is():
    values = np.array([[0.0, 50.0, 100.0], [np.nan, 100.0, 0.0]])
    scale = legend(values)
    light = np.full(values.shape, 0.7)
    data = picture(values, light, sequential(WATER), scale, values == 50)
    image = Image.open(io.BytesIO(base64.b64decode(data.split(",")[1]))).convert("RGBA")
    dots = np.asarray(image)
    assert dots.shape == (2, 3, 4)
    assert dots[1, 0, 3] == 0
    assert (dots[..., 3][np.isfinite(values)] == 255).all()
    assert (dots[0, 0] == dots[1, 2]).all()
    assert (dots[0, 2] == dots[1, 1]).all()
    assert dots[0, 0, :3].astype(int).sum() > dots[0, 2, :3].astype(int).sum()
    # Bare ground is grey.
    assert np.ptp(dots[0, 1, :3].astype(int)) < 12
    assert (LEVELS + 1) * SHADES < 256


def test_borders_run_around_zones_and_between_them():
    inner, outer = borders(np.array([[1, 1, 2], [1, 1, 2], [0, 0, 2]]))
    assert inner == "M2 0V2"
    # The outline of the seven cells is 12 cell edges long.
    assert sum(_length(stroke) for stroke in outer.split("M")[1:]) == 12


def _length(stroke):
    sign = "V" if "V" in stroke else "H"
    start, end = stroke.split(sign)
    return int(end) - int(start.split()[1 if sign == "V" else 0])


def unpack(packed, zone):
    data = zlib.decompress(base64.b64decode(packed.text))
    mask = np.frombuffer(data[: zone.size], np.uint8)
    numbers = np.frombuffer(data[zone.size :], "<u2").astype(float).reshape(len(packed.layers), -1)
    numbers[numbers == 65535] = np.nan
    return mask, [(row - layer["offset"]) * layer["step"] for row, layer in zip(numbers, packed.layers, strict=True)]


def test_packed_values_are_the_archives_to_its_own_step():
    zone = np.array([[1, 0, 2], [300, 1, 0]])
    swe = np.array([[0.0, np.nan, 1234.5], [6553.1, np.nan, np.nan]])
    change = np.array([[-310.4, np.nan, 0.0], [12.3, 99.9, np.nan]])
    deep = np.array([[90_000.0, 0, 1], [2, 3, 0]])
    mask, told = unpack(
        pack(zone, {"swe": Stepped(swe, 0.1), "change": Stepped(change, 0.1), "deep": Stepped(deep, 0.1)}), zone
    )
    assert mask.tolist() == (zone > 0).ravel().tolist()
    assert told[0].tolist() == zone[zone > 0].tolist()
    for values, back, step in ((swe, told[1], 0.1), (change, told[2], 0.1), (deep, told[3], 10.0)):
        np.testing.assert_allclose(back, values[zone > 0], atol=step * 0.501)


@pytest.mark.parametrize(("low", "high"), [(0, 1), (0, 143), (-50, 50), (0.001, 0.0042), (900, 3400), (0, 6e6)])
def test_ticks_are_round_inside_and_few(low, high):
    found = ticks(low, high, 6)
    assert 2 <= len(found) <= 6
    assert low - 1e-9 <= found[0] <= found[-1] <= high + 1e-9
    step = found[1] - found[0]
    np.testing.assert_allclose(np.diff(found), step)
    assert float(f"{step:.0e}") == pytest.approx(step)


def test_a_scale_goes_both_ways():
    up = Scale(0.0, 10.0, 200.0, 20.0)
    assert (up(0), up(10), up(5)) == (200.0, 20.0, 110.0)


def test_text_of_a_drawing_is_escaped():
    assert str(tag("text", "<b>", title='"')) == '<text title="&#34;">&lt;b&gt;</text>'


@pytest.mark.parametrize(
    ("unit", "value", "se", "text"),
    [
        # JCGM 100:2008, 7.2.2: m = 100.02147 g with u = 0.35 mg is told as 100.02147(35); two digits of the error.
        (METRIC.swe, 352.24, 38.12, "352"), (METRIC.swe, 352.24, 3.812, "352.2"), (METRIC.volume, 2_427_654.0, 630_406.0, "2.43"),
        (METRIC.volume, 144e6, 9.96e6, "144"), (METRIC.swe, 1191.3, 298.0, "1\u202f190"), (US.volume, 143_779_730.0, 15_559_841.0, "117,000"),
        (US.swe, 254.0, 25.4, "10.0"), (US.elevation, 3048.0, None, "10,000"), (US.swe, 254.0, 12.7, "10.0"),
        # 2400 m are 7874.0 ft; bands of 1000 ft are settled as 304.8 m.
        (US.band, 2400.0, None, "7,870"), (US.band, 8 * 304.8, None, "8,000"), (METRIC.band, 2400.0, None, "2\u202f400"), (US.density, 458.15, None, "46"),
    ],
)  # fmt: skip
def test_numbers_are_told_to_two_digits_of_their_error(unit, value, se, text):
    assert unit.text(value, se) == text


def test_a_season_that_starts_on_the_29th_of_february_starts_on_the_last():
    table = pd.DataFrame({"date": pd.to_datetime(["2031-02-28", "2032-02-28", "2032-02-29"])})
    assert with_seasons(table, "02-29")["season_day"].tolist() == [0, 365, 0]


def test_the_largest_noisy_grid_stays_under_three_megabytes():
    rng = np.random.default_rng(7)
    shape = (346, 346)
    grids = [rng.uniform(0, 1500, shape) for _ in range(6)]
    light = rng.uniform(0, 1, shape)
    none = np.zeros(shape, bool)
    maps = [picture(grid, light, sequential(WATER), legend(grid), none) for grid in grids[:3]]
    packed = pack(np.ones(shape), {str(k): Stepped(grid, 0.1) for k, grid in enumerate(grids)})
    assert shape[0] * shape[1] <= MOST_CELLS
    # What else stands on a page is some 150 kB.
    assert sum(map(len, maps)) + len(packed.text) < 2_800_000


def drawn_season(dates, **changes):
    days = pd.DataFrame(
        {"date": pd.to_datetime(dates), "volume_m3": 80e6, "volume_p10_m3": 60e6, "volume_p90_m3": 100e6}
    )
    days = with_seasons(days, "10-01").assign(**changes)
    return charts.season_chart(days, days.iloc[:0], charts.Marks([], []), METRIC.volume)


def test_nothing_is_drawn_over_dates_that_the_archive_lacks():
    gap = ["2030-11-20", "2030-11-21", "2031-03-05", "2031-05-19", "2031-05-20"]
    drawn = drawn_season(gap)
    assert drawn.count('class="line"') == drawn.count('class="interval"') == 2
    # The date by itself keeps its interval as a stroke.
    assert drawn.count('class="whisker"') == 1
    assert drawn.count('class="dot"') == 5
    whole = drawn_season(pd.date_range("2030-11-20", "2031-05-20", freq="14D"))
    assert whole.count('class="line"') == 1
    assert whole.count('class="whisker"') == 0
    bands = with_seasons(pd.DataFrame({"date": pd.to_datetime(gap), "band_low_m": 1800.0, "volume_m3": 80e6}), "10-01")
    layers = charts.bands_through_time(bands, METRIC.volume, METRIC.elevation, sequential(WATER))
    assert layers.count('class="layer"') == 3
    days = with_seasons(
        pd.DataFrame({"date": pd.to_datetime(gap)}).assign(volume_m3=8e7, volume_p10_m3=6e7, volume_p90_m3=1e8), "10-01"
    )
    marks = charts.Marks([], [], {days["date"][0].date(): "silent"}, {date.date(): 7e7 for date in days["date"]})
    marked = charts.season_chart(days, days.iloc[:0], marks, METRIC.volume)
    # So is the normal: two lines, and a stroke of the date by itself.
    assert marked.count('class="normal"') == 3
    # The word of the first date stands clear of the axis' numbers, which end at 56.
    (word,) = re.findall(r'<text x="([\d.]+)"[^>]*>degraded', marked)
    assert float(word) - charts.WORD_WIDTH / 2 > 56


def test_earlier_seasons_are_no_line_over_what_they_lack():
    days = pd.DataFrame(
        {"date": pd.to_datetime(["2031-03-01"]), "volume_m3": 8e7, "volume_p10_m3": 6e7, "volume_p90_m3": 1e8}
    )
    earlier = pd.DataFrame({"date": pd.to_datetime(["2030-01-01", "2030-01-02", "2030-03-01"]), "volume_m3": 7e7})
    drawn = charts.season_chart(
        with_seasons(days, "10-01"), with_seasons(earlier, "10-01"), charts.Marks([], []), METRIC.volume
    )
    assert re.findall(r'<(path|circle)[^>]* class="earlier"', drawn) == ["path", "circle"]


LINE = 12
"""Height of a text of the charts."""


# A twentieth less than a round number, which then stands at the very end of the axis.
@pytest.mark.parametrize("most", [7.62, 76_195.0, 952.4])
def test_the_unit_of_an_axis_stands_clear_of_its_numbers_and_months_within_the_drawing(most):
    day = pd.DataFrame({"day": ["2031-05-21"], "melt_m3": [most], "melt_se_m3": [0.0], "potential_melt_m3": [most]})
    plain = Unit("acre-feet", 1.0, 0, 0)
    season = drawn_season(["2030-10-01", "2031-06-01"], volume_p90_m3=1e6 * most)
    for drawn in (charts.outlook_chart(day, plain), season):
        texts = re.findall(r'<text x="([\d.]+)" y="([\d.]+)" class="(.*?)">(.*?)</text>', drawn)
        (name,) = (float(y) for _, y, kind, _ in texts if "unit" in kind)
        numbers = [float(y) for _, y, kind, _ in texts if kind == "label end"]
        assert LINE - 2 <= name <= min(numbers) - LINE
        months = [float(x) for x, _, kind, text in texts if kind == "label" and text in SHORT_MONTHS]
        assert all(x + 20 <= axes.WIDTH for x in months)


def test_a_used_site_is_filled_and_an_unused_one_hollow_on_maps_and_charts():
    css = (Path(charts.__file__).parent / "templates" / "page.css").read_text("utf-8")
    for place in (".map", ".chart"):
        fills = dict(re.findall(rf"^{re.escape(place)} (\.site\S*) {{ fill: ([^;]+);", css, re.MULTILINE))
        assert fills.pop(".site.unused") == "none"
        assert fills
        assert not {"none", "#fff", "var(--card)"} & set(fills.values())
        # Nothing more special fills an unused course again.
        assert css.index(f"{place} .site.unused") > max(css.index(f"{place} {name} ") for name in fills)
    assert 'class="site unused course"' in axes.marker((5.0, 5.0), "course", "x", used=False)


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ({"seen_of_basin": 0.8449}, "It saw 84 % of the basin, 408.7 km² with the ground around it."),
        ({}, "It saw 408.7 km², ground around the basin included."),
    ],
)
def test_what_a_flight_saw_is_told_as_a_share_of_the_basin(figures, words):
    flight = {"flight_id": "F", "date": "2031-05-08", "seen_area_km2": 408.7, "depth_bias_se_m": 0.04} | figures
    (told,) = day_tables.flights({"models": {"flights": [flight]}}, METRIC)
    assert told["words"].startswith(words)
