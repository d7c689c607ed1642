"""The pages in a browser: silent, offline, readable by keyboard and screen reader, on a phone, in the dark and on paper.

They need Chromium (Debian's package of that name) and skip without it.
"""

import itertools
import json
import re
import shutil

import numpy as np
import pandas as pd
import pytest
import rasterio
from made_basin import snowtally
from made_check import DATE, write_hard_basin
from made_pages import archive_with_history  # the tests' own made-up days

from snowtally.inspection.compare import compare, find_side
from snowtally.report import pages
from snowtally.report.compare_page import compare_page
from snowtally.report.units import UNITS

playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright, of the dev dependencies")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium: apt-get install chromium")

PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Pages of the day, of the season, of a comparison and of a dry run, and the folder of the day's revision."""
    root = tmp_path_factory.mktemp("browser") / "archive"
    date = archive_with_history(root)
    found = compare("larkmoor", find_side(root, "larkmoor", "2031-03-01"), find_side(root, "larkmoor", str(date)))
    comparison = root.parent / "comparison.html"
    comparison.write_bytes(compare_page(found, "larkmoor", UNITS["metric"]))
    checked = write_hard_basin(tmp_path_factory.mktemp("check"))
    assert snowtally("check", checked, "--date", DATE, "--page").returncode == 0
    us = pages.make_day_page(root, "larkmoor", date, "us")
    us = us.rename(us.with_name("us.html"))
    return {
        "us": us, "check": checked.parent / "check.html", "front": pages.make_front_page(root, "larkmoor"),
        "day": pages.make_day_page(root, "larkmoor", date, "metric"), "season": pages.make_season_page(root, "larkmoor", "metric"),
        "comparison": comparison, "revision": root / "larkmoor" / str(date) / "r002",
    }  # fmt: skip


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture
def opened(browser):
    """Open a page from disk and return it; at the end, nothing may have been said on the console nor asked of the network."""
    said, asked, contexts = [], [], []

    def open_page(path, **how):
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 900}, **how})
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(path.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert said == []
    assert all(url.startswith(("file://", "data:")) for url in asked), asked
    assert sum(url.startswith("file://") for url in asked) == len(contexts)


def cell_on_screen(page, row, column, number=0):
    """Return where the middle of a cell stands in the window, on the map of a number."""
    page.locator("svg.map").nth(number).scroll_into_view_if_needed()
    return page.evaluate(
        """([map, x, y]) => { const svg = document.querySelectorAll("svg.map")[map];
        const p = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM()); return [p.x, p.y]; }""",
        [number, column + 0.5, row + 0.5],
    )


def test_a_cell_looked_up_in_us_units_has_them(made, opened):
    page = opened(made["us"])
    page.mouse.move(*cell_on_screen(page, 14, 7))
    metres = looked_up(page, "elevation")
    assert page.locator('[data-look="elevation"]').inner_text() == f"{metres / 0.3048:,.0f} ft"


def looked_up(page, name):
    place = page.locator(f'[data-look="{name}"]')
    playwright.expect(place).to_have_attribute("data-value", re.compile("."))
    return float(place.get_attribute("data-value"))


@pytest.mark.parametrize(("row", "column"), [(5, 18), (14, 7), (22, 25), (8, 30)])
def test_pointing_at_a_map_reads_the_cell_of_the_geotiff(made, opened, row, column):
    page = opened(made["day"])
    # Each map answers for the same cell.
    for number in (0, 1):
        page.mouse.move(*cell_on_screen(page, row, column, number))
        for name in ("swe", "swe_se", "depth", "density"):
            with rasterio.open(made["revision"] / f"{name}.tif") as raster:
                told = float(raster.read(1)[row, column])
            if np.isfinite(told) and told != raster.nodata:
                assert looked_up(page, name) == pytest.approx(told, abs=0.051 if name != "depth" else 0.00051), name
    assert page.locator('[data-look="zone"]').inner_text() in {"Øvre Fläche, 北", "Lower Moor"}
    easting = rasterio.open(made["revision"] / "swe.tif").xy(row, column)[0]
    assert page.locator('[data-look="place"]').inner_text().startswith(f"{easting:.0f} E")


def test_the_change_of_a_cell_is_the_difference_of_two_days(made, opened):
    page = opened(made["day"])
    page.mouse.move(*cell_on_screen(page, 20, 20))
    week = made["revision"].parents[1] / "2031-03-01" / "r001" / "swe.tif"
    with rasterio.open(made["revision"] / "swe.tif") as now, rasterio.open(week) as then:
        change = float(now.read(1)[20, 20]) - float(then.read(1)[20, 20])
    assert looked_up(page, "change") == pytest.approx(change, abs=0.051)


def test_a_tap_on_a_phone_and_the_arrow_keys_read_cells_too(made, opened):
    page = opened(made["day"], viewport=PHONE, has_touch=True, is_mobile=True)
    page.touchscreen.tap(*cell_on_screen(page, 12, 22))
    with rasterio.open(made["revision"] / "swe.tif") as raster:
        swe = raster.read(1)
    assert looked_up(page, "swe") == pytest.approx(swe[12, 22], abs=0.051)
    page.locator("figure[tabindex]").first.focus()
    page.keyboard.press("ArrowRight")
    playwright.expect(page.locator('[data-look="swe"]')).to_have_attribute(
        "data-value", re.compile(f"^{swe[12, 23]:.1f}")
    )


def test_a_click_on_a_heading_sorts_a_table_both_ways(made, opened):
    page = opened(made["day"])
    table = page.locator('table[data-level="band"]')
    totals = pd.read_csv(made["revision"] / "totals.csv")
    wanted = sorted(totals.loc[totals["level"] == "band", "volume_m3"])

    def shown():
        return [
            float(v) for v in table.locator('data[data-of="volume_m3"]').evaluate_all("all => all.map(d => d.value)")
        ]

    button = table.get_by_role("button", name=re.compile("^Volume"))
    button.click()
    assert shown() == wanted
    assert table.locator("th[aria-sort=ascending]").count() == 1
    button.click()
    assert shown() == wanted[::-1]
    # The sites' missing values stay last either way.
    sites = page.locator('table[data-level="sites"]')
    for _ in range(2):
        sites.get_by_role("button", name=re.compile("^SWE on the day")).click()
        assert sites.locator("tbody tr").last.get_attribute("data-key") == "007"


@pytest.mark.parametrize(("name", "per_unit", "half"), [("day", 1e6, 0.006), ("us", 43560 * 0.3048**3, 6.0)])
def test_a_table_is_copied_as_plain_numbers(made, opened, name, per_unit, half):
    page = opened(made[name])
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.locator('section:has(table[data-level="zone"])').get_by_role("button", name="Copy table").click()
    page.get_by_role("button", name="Copied").wait_for()
    lines = [line.split("\t") for line in page.evaluate("navigator.clipboard.readText()").split("\n")]
    assert {len(line) for line in lines} == {11}
    assert lines[-1][0] == "Basin"
    totals = pd.read_csv(made["revision"] / "totals.csv")
    assert float(lines[-1][5]) == pytest.approx(totals["volume_m3"][0] / per_unit, abs=half)


@pytest.mark.parametrize(
    ("name", "scheme"),
    [
        ("day", "light"),
        ("season", "dark"),
        ("comparison", "light"),
        ("check", "light"),
        ("check", "dark"),
        ("front", "dark"),
    ],
)
def test_accessibility_has_no_serious_finding(made, opened, name, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    page = opened(made[name], color_scheme=scheme, bypass_csp=True)
    found = axe.Axe().run(page).response["violations"]
    serious = [
        (one["id"], [node["html"][:120] for node in one["nodes"][:3]]) for one in found if one["impact"] in {"serious", "critical"}
    ]  # fmt: skip
    assert serious == []


@pytest.mark.parametrize("name", ["day", "us", "season", "comparison", "check", "front"])
def test_no_width_makes_the_page_scroll_sideways(made, opened, name):
    page = opened(made[name])
    for width in (320, 390, 768, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_dark_page_is_dark_and_its_text_light(made, opened):
    def brightness(page, what):
        colour = page.evaluate(f"getComputedStyle(document.body).{what}")
        return np.mean([float(v) for v in re.findall(r"[\d.]+", colour)[:3]])

    light, dark = opened(made["day"], color_scheme="light"), opened(made["day"], color_scheme="dark")
    assert brightness(light, "backgroundColor") > 200
    assert brightness(light, "color") < 100
    assert brightness(dark, "backgroundColor") < 50
    assert brightness(dark, "color") > 200


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_on_few_pages_in_light_without_its_controls(made, opened, paper):
    page = opened(made["day"], color_scheme="dark")
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.get_by_role("button", name="Copy table").count() == 0
    # Chromium leaves out a button's words where it repeats a head.
    assert page.evaluate('getComputedStyle(document.querySelector("thead button")).display') == "contents"
    printed = page.pdf(format=paper, print_background=True)
    assert 2 <= len(re.findall(rb"/Type\s*/Page[^s]", printed)) <= 4


def test_the_time_line_prints_whole_and_scrolls_by_itself_on_a_phone(made, opened):
    page = opened(made["check"], viewport=PHONE)
    drawn = page.locator("svg.chart.long")
    assert drawn.bounding_box()["width"] > PHONE["width"]
    # Its newest days are in sight.
    assert drawn.locator(".today").bounding_box()["x"] <= PHONE["width"]
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 700, "height": 1000})
    assert drawn.bounding_box()["width"] <= 700


def test_a_table_on_a_phone_keeps_its_first_column_and_volume_in_sight(made, opened):
    page = opened(made["day"], viewport=PHONE)
    region = page.get_by_role("region", name="Totals by zone")
    row = region.locator("tbody tr").first
    for scrolled in (0, 150, 10_000):
        region.evaluate("(all, x) => { all.scrollLeft = x; }", scrolled)
        for cell in (row.locator("th"), row.locator("td.sight")):
            box = cell.bounding_box()
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= PHONE["width"]


def test_a_phone_says_beside_the_name_that_a_basin_is_degraded(made, opened):
    for size, shown in ((PHONE, True), ({"width": 1280, "height": 900}, False)):
        page = opened(made["front"], viewport=size)
        assert page.locator('tr[data-key="larkmoor"] th strong').is_visible() == shown
    assert page.locator("p.day").inner_text() == "1 basin, on its newest day"


def test_how_old_a_basins_newest_day_is_follows_the_readers_clock(made, browser):
    context = browser.new_context()
    page = context.new_page()
    page.clock.set_fixed_time("2031-03-11T09:00:00")
    page.goto(made["front"].as_uri())
    assert "3 days ago" in page.locator('tr[data-key="larkmoor"]').inner_text()
    context.close()


def test_the_contents_lead_to_every_section(made, opened):
    page = opened(made["day"])
    led = page.locator("nav.contents a").evaluate_all("all => all.map(a => a.getAttribute('href').slice(1))")
    assert led == page.evaluate('[...document.querySelectorAll("main h2")].map(h => h.id)')
    assert len(led) > 10


@pytest.mark.parametrize("name", ["day", "check"])
def test_every_section_and_drawing_is_named_for_those_who_do_not_see_it(made, opened, name):
    page = opened(made[name])
    for drawing in page.locator("svg[role=img]").all():
        assert len(drawing.get_attribute("aria-label")) > 10
    levels = page.evaluate('[...document.querySelectorAll("h1, h2, h3")].map(h => Number(h.tagName[1]))')
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_the_page_says_its_figures_without_script(made, browser):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(made["day"].as_uri())
    record = json.loads((made["revision"] / "record.json").read_text("utf-8"))
    assert record["input_hash"] in page.content()
    assert page.locator("svg.map image").count() == 3
    assert page.locator("#volume").inner_text() != ""
    context.close()
