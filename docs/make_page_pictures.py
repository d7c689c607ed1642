"""Make the pictures of the pages: `python docs/make_page_pictures.py` after the README's first command; needs Chromium."""

import io
import shutil
import subprocess
import sys
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parents[1]
DATE = "2031-04-14"
COLOURS = 200
"""A palette keeps a picture of flat colours small, and these two are looked at, not measured."""


def main() -> None:
    """Draw the top of the day's page as a desk shows it, and as a phone does in the dark."""
    for day in ("2031-04-07", "2031-04-13", DATE):
        words = [sys.executable, "-c", "from pipeline.cli import main; main()", "update", "configs/larkmoor.yaml"]
        subprocess.run([*words, "--date", day], cwd=ROOT, check=True)  # noqa: S603  our own program
    page = ROOT / "archive" / "larkmoor" / DATE / "report.html"
    views = {
        "page.png": {"viewport": {"width": 1240, "height": 1180}, "color_scheme": "light"},
        "page_phone.png": {"viewport": {"width": 390, "height": 1180}, "color_scheme": "dark"},
    }
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        for name, view in views.items():
            shown = browser.new_page(**view)
            shown.goto(page.as_uri())
            picture = Image.open(io.BytesIO(shown.screenshot())).convert("RGB")
            picture.quantize(COLOURS).save(ROOT / "docs" / name, optimize=True)
        browser.close()


if __name__ == "__main__":
    main()
