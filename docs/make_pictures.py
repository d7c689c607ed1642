"""Make the pictures of README and docs from the demo basin: `python docs/make_pictures.py`; needs Chromium.

Each picture says in its own file which figures it shows and which page templates drew it, so that a test sees when it is stale
(tests/recovery/test_larkmoor.py).
"""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from snowtally.reading import basin_row, open_day, read_sites, read_totals

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
DATE = "2031-04-14"
BEFORE = ("2031-04-07", "2031-04-13")
"""The page tells what changed since last week and since yesterday."""

COLOURS = 200
"""A palette keeps a picture of flat colours small, and these are looked at, not measured."""

SHOWS = "Shows"
"""Key under which a picture's file holds what it shows."""


def main() -> None:
    """Estimate the demo's dates into an archive of their own and draw the pictures of the newest."""
    with tempfile.TemporaryDirectory() as folder:
        archive = Path(folder) / "archive"
        for date in (*BEFORE, DATE):
            publish(archive, date)
        shows = PngInfo()
        shows.add_text(SHOWS, json.dumps(shown(archive), sort_keys=True))
        draw_pages(archive, shows)
        draw_maps(archive).save(DOCS / "larkmoor.png", optimize=True, pnginfo=shows)


def publish(archive: Path, date: str) -> None:
    """Publish a date of the demo basin into the archive."""
    settings = archive.with_name("larkmoor.yaml")
    text = (ROOT / "configs" / "larkmoor.yaml").read_text("utf-8")
    text = text.replace("archive: ../archive", f"archive: {archive}").replace(
        "../sample_inputs", f"{ROOT}/sample_inputs"
    )
    settings.write_text(text, "utf-8")
    words = [
        sys.executable,
        "-c",
        "from snowtally.cli.main import main; main()",
        "update",
        str(settings),
        "--date",
        date,
    ]
    subprocess.run(words, cwd=ROOT, check=True)  # noqa: S603  our own program


def shown(archive: Path) -> dict[str, str | float]:
    """Return what the pictures show: the date, its volume with standard error in m3, and the hash of the page's templates."""
    basin = basin_row(read_totals(archive, "larkmoor", DATE, DATE))
    figures = {name: float(basin[name]) for name in ("volume_m3", "volume_se_m3")}
    return {"date": DATE, "templates": templates_sha256()} | figures


def templates_sha256() -> str:
    """Return the hash of the files that lay out the pages."""
    templates = ROOT / "pipeline" / "report" / "templates"
    files = sorted(path for path in templates.rglob("*") if path.is_file() and path.parent.name != "__pycache__")
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()


def draw_pages(archive: Path, shows: PngInfo) -> None:
    """Draw the top of the day's page as a desk shows it, and as a phone does in the dark."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  the test of these pictures needs no browser

    page = archive / "larkmoor" / DATE / "report.html"
    views = {
        "page.png": {"viewport": {"width": 1240, "height": 1180}, "color_scheme": "light"},
        "page_phone.png": {"viewport": {"width": 390, "height": 1180}, "color_scheme": "dark"},
    }
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        for name, view in views.items():
            opened = browser.new_page(**view)
            opened.goto(page.as_uri())
            picture = Image.open(io.BytesIO(opened.screenshot())).convert("RGB")
            picture.quantize(COLOURS).save(DOCS / name, optimize=True, pnginfo=shows)
        browser.close()


def draw_maps(archive: Path) -> Image.Image:
    """Return SWE and its standard error side by side over shaded relief, with the sites and a scale bar."""
    mpl.use("Agg")
    day = open_day(archive, "larkmoor", DATE)
    sites = read_sites(archive, "larkmoor", DATE)
    elevation = day["elevation"].to_numpy()
    relief = mpl.colors.LightSource(315, 45).hillshade(
        np.nan_to_num(elevation, nan=np.nanmean(elevation)), vert_exag=1.5, dx=100, dy=100
    )
    relief = np.where(np.isfinite(elevation), relief, np.nan)
    x, y = day["x"].to_numpy() / 1000, day["y"].to_numpy() / 1000
    extent = (x[0], x[-1], y[-1], y[0])
    figure, panels = plt.subplots(1, 2, figsize=(10, 4.6), layout="constrained")
    for panel, (name, words, top) in zip(
        panels, (("swe", "snow water equivalent, mm", 1200), ("swe_se", "its standard error, mm", 200)), strict=True
    ):
        panel.imshow(relief, cmap="gray", extent=extent)
        drawn = panel.imshow(day[name].to_numpy(), cmap="cividis", vmin=0, vmax=top, alpha=0.8, extent=extent)
        figure.colorbar(drawn, ax=panel, shrink=0.8, label=words)
        for kind, mark in (("S", "^"), ("C", "o")):
            some = sites[sites["site_id"].str[1] == kind]
            panel.plot(
                some["x"] / 1000,
                some["y"] / 1000,
                mark,
                mfc="white",
                mec="black",
                ms=5,
                label={"S": "station", "C": "course"}[kind],
            )
        panel.plot([x[-1] - 6, x[-1] - 1], [y[-1] + 1] * 2, "k-", lw=3)
        panel.text(x[-1] - 3.5, y[-1] + 1.4, "5 km", ha="center")
        panel.set(xlim=(x[0] - 1, x[-1] + 1), ylim=(y[-1] - 1, y[0] + 1))
        panel.set_axis_off()
    panels[0].legend(loc="lower center", frameon=False)
    figure.suptitle(f"Larkmoor (invented), {DATE}, 18 days after the last flight; north is up")
    drawn_file = io.BytesIO()
    figure.savefig(drawn_file, dpi=80)
    return Image.open(drawn_file).convert("RGB").quantize(COLOURS)


if __name__ == "__main__":
    main()
