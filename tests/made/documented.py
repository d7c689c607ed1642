"""What docs/settings.md says the settings are where nobody sets them."""

import re
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "settings.md"


def documented(block):
    """Return the numbers of a block of the settings by key, as the page has them."""
    found = {}
    for row in PAGE.read_text("utf-8").splitlines():
        cells = row.split("|")
        if row.startswith(f"| `{block}.") and re.fullmatch(r"[-\d., ]+", cells[3]):
            keys = [key.removeprefix(f"{block}.") for key in re.findall(r"`([\w.]+)`", cells[1])]
            found |= dict(zip(keys, map(float, cells[3].split(", ")), strict=True))
    return found
