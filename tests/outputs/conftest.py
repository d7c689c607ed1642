"""What the tests of outputs share: a clock that stands still, and an archive with a little history."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from made_day import made_day

from pipeline.outputs.archive import publish
from pipeline.outputs.record import Provenance, UsedFile

MADE = dt.datetime(2031, 3, 2, 4, 30, tzinfo=dt.UTC)


def make_provenance(inputs: str = "a", **changes) -> Provenance:
    """Return how a day came to be; two with different `inputs` are two different nights."""
    provenance = Provenance(
        settings={"basin": {"id": "larkmoor", "season_start": "10-01"}, "grid": {"cell_m": 100}},
        settings_hash="5" * 64,
        inputs=[
            UsedFile("sites", "sites.csv", 120, "1" * 64, "2" * 64),
            UsedFile("flights", "flights.csv", 9, "3" * 64),
        ],
        input_hash=inputs,
        reason="nightly update",
        degraded=[],
        code_version="0.1.0",
        commit="",
        made=MADE,
    )
    return replace(provenance, **changes)


@pytest.fixture
def provenance():
    """The maker of provenances, so that a test names only what matters to it."""
    return make_provenance


@pytest.fixture(scope="session")
def archive(tmp_path_factory):
    """Two dates, the first with two revisions. Tests read it and leave it as it is."""
    root = tmp_path_factory.mktemp("session") / "archive"
    publish(root, made_day("2031-03-01"), make_provenance("first"))
    publish(root, made_day("2031-03-01", extra_mm=10), make_provenance("second", degraded=["Station 007 is silent."]))
    publish(root, made_day("2031-03-05", extra_mm=20), make_provenance("third"))
    return root
