"""Amounts and totals of precipitation are told apart by their values, whatever the header says."""

import numpy as np
import pytest
from other_ways import HINT, STATIONS, Settled, canonical, lines

from snowtally.proposals.doubtful import is_accumulated
from snowtally.proposals.tables import propose_tables

TOTALS = STATIONS["precipitation_total_mm"].to_numpy(float)
AMOUNTS = np.where(np.arange(len(TOTALS)) % 4 == 1, 9.0, 0.0)


def test_what_is_counted_up_is_a_total_with_noise_and_an_emptied_gauge():
    noise = np.random.default_rng(3).normal(0, 0.4, len(TOTALS))
    assert is_accumulated(TOTALS + noise + 2, STATIONS["site_id"]) is True
    emptied = np.where(np.arange(len(TOTALS)) % 232 > 200, TOTALS - TOTALS.max() * 0.5, TOTALS).clip(0)
    assert is_accumulated(emptied, STATIONS["site_id"]) is True
    assert is_accumulated(AMOUNTS, STATIONS["site_id"]) is False
    assert is_accumulated(np.zeros(50), [""] * 50) is None


@pytest.mark.parametrize(
    ("header", "values", "key"),
    [
        ("Precip (mm)", TOTALS, "precipitation_total"),
        ("Precip (mm)", AMOUNTS, "precipitation"),
        ("Accumulated precipitation (mm)", TOTALS, "precipitation_total"),
        ("Niederschlag Summe (mm)", AMOUNTS, "precipitation"),
    ],
)
def test_values_decide_between_amount_and_total(tmp_path, header, values, key):
    canonical(tmp_path, "sites", "courses")
    rows = [["Station", "Date", "SWE (mm)", header]]
    rows += [[r.site_id, r.date, r.swe_mm, value] for r, value in zip(STATIONS.itertuples(), values, strict=True)]
    (tmp_path / "s.csv").write_text(lines(rows), "utf-8")
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert not found.refusals
    assert Settled.of(found, "stations").keys[f"columns.{key}"] == {"column": header}


def test_a_canonical_header_above_the_other_kind_is_refused(tmp_path):
    canonical(tmp_path, "sites", "courses")
    STATIONS.rename(columns={"date": "time", "precipitation_total_mm": "precipitation_mm"}).to_csv(
        tmp_path / "s.csv", index=False
    )
    found = propose_tables(sorted(tmp_path.iterdir()), HINT)
    assert any("headed as precipitation_mm, but its values are a total" in str(one) for one in found.refusals)
