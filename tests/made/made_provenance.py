"""How the made-up days came to be: a clock that stands still."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from snowtally.archive.current import Loss
from snowtally.publishing.record import Provenance, UsedFile

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
    return replace(provenance, **changes | {"degraded": losses(changes.get("degraded", []))})


def losses(reasons: list[str | Loss]) -> list[Loss]:
    """Return reasons as what a day lacks; a sentence by itself is a loss of its own."""
    return [one if isinstance(one, Loss) else Loss(rule=one, reason=one) for one in reasons]
