"""What `snowtally status` prints of several basins: the figures of the archive's front page, one row a basin."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from snowtally.cli import base
from snowtally.cli.status import today_of
from snowtally.inspection.change_error import Change
from snowtally.report.front import BasinNow, basin_now
from snowtally.report.front_page import units_of
from snowtally.report.units import THIN_SPACE, Unit
from snowtally.settings.basin import Settings


@dataclass(frozen=True)
class ManyBasins(base.Result):
    """The newest day of some basins.

    Parameters
    ----------
    basins : the basins, in the order asked.
    today : the local day of each.
    max_age_days : an older newest day is a failure, days; None asks for no judgement.
    """

    basins: list[BasinNow]
    today: list[dt.date]
    max_age_days: int | None

    @property
    def ages(self) -> list[int | None]:
        """The age of each newest day, days; None without one."""
        return [
            None if one.date is None else (day - one.date).days
            for one, day in zip(self.basins, self.today, strict=True)
        ]

    @property
    def status(self) -> base.Status:
        """Whether the newest day of every basin is as a monitor wants it."""
        if self.max_age_days is None:
            return base.Status.OK
        if any(age is None or age > self.max_age_days for age in self.ages):
            return base.Status.FAILED
        return base.Status.DEGRADED if any(one.lacking for one in self.basins) else base.Status.OK

    def to_json(self) -> dict[str, Any]:
        """Return each basin's newest day, in the archive's units."""
        return {"basins": [_plain(one, age) for one, age in zip(self.basins, self.ages, strict=True)]}

    def to_table(self) -> list[Any]:
        """Return a row a basin, and what is degraded or cannot be read."""
        volume = units_of(self.basins).volume
        heads = ("basin", "newest", "age", volume.label, "se", "80 %\nfrom", "80 %\nto", "since\nday before", "since\nsurvey", "of normal")  # fmt: skip
        rows = [_row(one, age, volume) for one, age in zip(self.basins, self.ages, strict=True)]
        notes = [f"{one.title}: degraded: {one.lacking}" for one in self.basins if one.lacking]
        notes += [f"{one.title}: cannot be read: {one.trouble}" for one in self.basins if one.trouble]
        surveys = [f"{one.title}: the last survey was {one.survey.words}" for one in self.basins if one.survey]
        return [base.table(None, heads, rows, words=2, lean=True), *notes, *surveys]


def many(chosen: list[Settings], max_age_days: int | None) -> ManyBasins:
    """Return the newest day of the basins of some settings."""
    basins = [basin_now(one.archive_root, one.basin.id) for one in chosen]
    return ManyBasins(basins, [today_of(one) for one in chosen], max_age_days)


def _row(one: BasinNow, age: int | None, unit: Unit) -> tuple[str, ...]:
    if one.whole is None or one.date is None:
        return (one.title, "none", *[""] * 8)
    se = float(one.whole["volume_se_m3"])
    figures = [one.whole[name] for name in ("volume_m3", "volume_se_m3", "volume_p10_m3", "volume_p90_m3")]
    per_cent = "" if one.per_cent is None else f"{one.per_cent:.0f} %"
    texts = [unit.text(float(figure), se) for figure in figures]
    changes = [_change(change, unit) for change in (one.a_day, one.since_survey)]
    plain = [text.replace(THIN_SPACE, " ") for text in (*texts, *changes)]
    return (one.title, f"{one.date}{', degraded' if one.lacking else ''}", f"{age} d", *plain, per_cent)


def _change(change: Change | None, unit: Unit) -> str:
    if change is None:
        return ""
    return f"{unit.text(change.volume_m3, change.se_m3, signed=True)} ± {unit.text(change.se_m3, change.se_m3)}"


def _plain(one: BasinNow, age: int | None) -> dict[str, Any]:
    figures = (
        {}
        if one.whole is None
        else {name: float(one.whole[name]) for name in one.whole.index if name.endswith("_m3") and "volume" in name}
    )
    changes = {
        name: None if change is None else {"volume_m3": change.volume_m3, "se_m3": change.se_m3}
        for name, change in (("change_in_a_day", one.a_day), ("change_since_survey", one.since_survey))
    }
    survey = None if one.survey is None else {"what": one.survey.what, "date": str(one.survey.survey)}
    return {
        "basin": one.basin, "title": one.title, "newest": None if one.date is None else str(one.date), "age_days": age,
        **figures, **changes, "last_survey": survey, "per_cent_of_normal": one.per_cent, "degraded": one.lacking, "trouble": one.trouble,
    }  # fmt: skip
