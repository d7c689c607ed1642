"""Pages of made-up days, and their numbers read back from the HTML: for the tests of the pages, with and without a browser."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
from made_day import METADATA, _totals, made_day
from made_provenance import losses

from snowtally.publishing.publish import publish
from snowtally.publishing.record import Provenance, UsedFile

MADE = dt.datetime(2031, 3, 2, 4, 30, tzinfo=dt.UTC)

FLIGHT = {
    "flight_id": "F-1", "date": "2031-02-20", "seen_area_km2": 11.25, "depth_bias_se_m": 0.041, "registration": None,
    "by_site": {
        "sites": 1, "offset_m": -0.07, "nmad_m": 0.16, "applied": False,
        "sites_compared": [{"site_id": "NA", "kind": "course", "days_after": -1, "ground_depth_m": 0.8123,
                            "flight_depth_m": 0.7423, "difference_m": -0.07}],
    },
}  # fmt: skip


def provenance(inputs="a", **changes):
    """Return how a day came to be; two with different `inputs` are two different nights."""
    made = Provenance(
        settings={
            "basin": {"id": "larkmoor", "season_start": "10-01"}, "grid": {"cell_m": 100}, "metadata": METADATA.model_dump(),
        },
        settings_hash="5" * 64,
        inputs=[UsedFile("sites", "sites.csv", 120, "1" * 64, "2" * 64)], input_hash=inputs, reason="nightly update",
        degraded=[], code_version="0.1.0", commit="", made=MADE,
    )  # fmt: skip
    return replace(made, **changes | {"degraded": losses(changes.get("degraded", []))})


def with_flight(day):
    return replace(day, models=day.models | {"flights": [FLIGHT], "blend": {"name": "carried flight"}})


def archive_with_history(root):
    """Publish a little history into `root` and return its last date: earlier years, last week, yesterday, two revisions."""
    for n, date in enumerate(("2029-03-08", "2030-03-08", "2031-03-01", "2031-03-07")):
        publish(root, made_day(date, extra_mm=7.0 * n), provenance(date))
    publish(root, made_day("2031-03-08", extra_mm=33), provenance("one", degraded=["Station 007 is silent."]))
    day = with_flight(made_day("2031-03-08", extra_mm=31))
    normals = pd.DataFrame({
        "level": ["basin", "site"], "site_id": ["larkmoor", "NA"], "swe_mm": [300.0, 255.5], "normal_mm": [250.0, 200.0],
        "per_cent": [120.0, 128.0], "period": ["2006-2030", ""],
    })  # fmt: skip
    day = replace(day, normals=normals)
    publish(root, day, provenance("two", command="rerun", reason="late sheet", degraded=["Station 007 is silent."]))
    return dt.date(2031, 3, 8)


@dataclass
class Number:
    """One number of a page: what it says it is, the archive's value, the text, and its table and row where it has one."""

    of: str
    value: float
    text: str = ""
    level: str = ""
    key: str = ""


@dataclass
class Read(HTMLParser):
    """A page read back."""

    numbers: list[Number] = field(default_factory=list)
    text: list[str] = field(default_factory=list)
    tags: list[tuple[str, dict]] = field(default_factory=list)

    def __post_init__(self):
        super().__init__()
        self.level = self.key = ""
        self.open_number = None

    def handle_starttag(self, tag, attrs):
        said = dict(attrs)
        self.tags.append((tag, said))
        if tag == "table":
            self.level = said.get("data-level", said.get("id", ""))
            self.level += f"|{said['data-flight']}" if "data-flight" in said else ""
        if tag == "tr":
            self.key = said.get("data-key", "")
        if tag == "data":
            self.open_number = Number(said["data-of"], float(said["value"]), "", self.level, self.key)

    def handle_endtag(self, tag):
        if tag == "table":
            self.level = self.key = ""
        if tag == "data":
            self.numbers.append(self.open_number)
            self.open_number = None

    def handle_data(self, data):
        self.text.append(data)
        if self.open_number is not None:
            self.open_number.text += data


def read_page(path_or_bytes):
    read = Read()
    data = path_or_bytes if isinstance(path_or_bytes, bytes) else path_or_bytes.read_bytes()
    read.feed(data.decode("utf-8"))
    read.close()
    return read


def as_number(text):
    """Return the number that a reader sees, and half of its last digit that is not a rounded zero."""
    plain = text.replace("\u202f", "").replace(",", "").replace("\u2212", "-").replace("+", "")
    decimals = len(plain.split(".")[1]) if "." in plain else 0
    digits = plain.lstrip("-").rstrip("0") if "." not in plain else ""
    zeros = len(plain.lstrip("-")) - len(digits) if digits and "." not in plain else 0
    return float(plain), 0.5 * 10.0 ** (zeros - decimals)


def no_snow(day):
    """Return the day with its snow gone."""
    inside = np.isfinite(day.fields["swe"])
    bare = {
        name: inside.where(~inside, 0.0).where(inside)
        for name in ("swe", "swe_se", "swe_p10", "swe_p90", "depth", "snow_cover")
    }
    fields = day.fields.assign(bare)
    fields = fields.assign(
        density=fields["density"] * np.nan, density_se=fields["density_se"] * np.nan,
        source=fields["source"].where(fields["source"] == 0, 3),
    )  # fmt: skip
    sites = day.sites.assign(swe_mm=np.where(day.sites["used"], 0.0, np.nan), estimate_mm=0.0, estimate_without_mm=0.0)
    return replace(
        day, fields=fields, totals=_totals(fields, day.basin_id, day.date), sites=sites, error_budget={},
        totals_covariance=day.totals_covariance.assign(covariance_m6=0.0),
    )  # fmt: skip
