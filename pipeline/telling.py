"""What the command line says: results as tables for people and as plain values for machines."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import pandas as pd
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from pipeline.gather import Readings
from pipeline.outputs.status import Status
from pipeline.run import Outcome

CAUTION = (
    "Estimates with standard errors, not a flood or runoff forecast: releases and flood operations follow the operator's own "
    "manual and licensed engineers."
)

MILLION = 1e6


def update_tables(outcome: Outcome) -> list[Any]:
    """Return what `snowtally update` prints: the basin, its bands, the inputs used and set aside, the archive entry."""
    totals = pd.read_parquet(outcome.published.path / "totals.parquet")
    basin = totals[totals["level"] == "basin"].iloc[0]
    inputs = outcome.readings.inputs
    parts: list[Any] = [
        Text(f"{inputs.title}, {inputs.date}", style="bold"),
        f"Water in the snow: {_volume(basin['volume_m3'])} million m3, standard error {_volume(basin['volume_se_m3'])} "
        f"(10 to 90 % chance: {_volume(basin['volume_p10_m3'])} to {_volume(basin['volume_p90_m3'])})",
        f"Mean SWE: {basin['swe_mean_mm']:.0f} mm, standard error {basin['swe_se_mm']:.0f} mm, over {basin['area_km2']:.1f} km2, "
        f"of which {basin['snow_area_km2']:.1f} km2 under snow",
        _bands(totals),
        _sources(outcome),
        _findings(outcome.readings, full=False),
    ]
    if outcome.readings.degraded:
        parts.append(Text("Degraded night: " + "; ".join(outcome.readings.degraded), style="yellow"))
    said = "unchanged: the same inputs, settings and code gave" if outcome.published.unchanged else "published"
    parts.append(f"Archive entry {said}: {outcome.published.path}")
    parts.append(Text(CAUTION, style="dim"))
    return parts


def update_json(outcome: Outcome) -> dict[str, Any]:
    """Return what `snowtally update --json` prints."""
    totals = pd.read_parquet(outcome.published.path / "totals.parquet")
    return {
        "basin": outcome.readings.inputs.basin_id,
        "date": str(outcome.readings.inputs.date),
        "revision": outcome.published.revision,
        "unchanged": outcome.published.unchanged,
        "path": str(outcome.published.path),
        "degraded": outcome.readings.degraded,
        "totals": _rows(totals[totals["level"].isin(["basin", "zone", "band"])]),
        "findings": _rows(outcome.readings.inputs.checks),
    }


def check_tables(readings: Readings) -> list[Any]:
    """Return what `snowtally check` prints: what was read, and the findings by site, the most serious first."""
    ground = readings.inputs.ground
    parts: list[Any] = [
        Text(f"{readings.inputs.title}: inputs that {readings.inputs.date} may use", style="bold"),
        f"{len(ground.sites)} sites; {len(readings.rows['courses'])} course samples on {len(ground.visits)} visits; "
        f"{len(readings.rows['stations'])} station readings on {len(ground.daily)} station days; "
        f"{len(readings.inputs.flights)} flights; {len(readings.rows['weather'])} days of weather",
        _findings(readings, full=True),
    ]
    if readings.degraded:
        parts.append(Text("A night on these inputs would be degraded: " + "; ".join(readings.degraded), style="yellow"))
    return parts


def check_json(readings: Readings) -> dict[str, Any]:
    """Return what `snowtally check --json` prints."""
    return {
        "basin": readings.inputs.basin_id,
        "date": str(readings.inputs.date),
        "degraded": readings.degraded,
        "rows": {name: len(table) for name, table in readings.rows.items()},
        "flights": [flight.attrs["flight_id"] for flight in readings.inputs.flights],
        "files": [{"role": f.role, "path": str(f.path), "size": f.size, "sha256": f.sha256} for f, _ in readings.files],
        "findings": _rows(readings.inputs.checks),
        "by_site": _rows(_by_site(readings.inputs.checks)),
    }


def status_tables(title: str, found: Status) -> list[Any]:
    """Return what `snowtally status` prints: the dates held, one a row, and the newest with its age."""
    table = Table(
        "date", "revisions", "stands", "degraded", "made", "reason", title=escape(title), title_justify="left"
    )
    for row in found.days.itertuples():
        stands = "withdrawn" if pd.isna(row.standing) else f"r{row.standing:03d}"
        table.add_row(
            str(row.date),
            str(row.revisions),
            stands,
            "yes" if row.degraded else "",
            f"{row.made:%Y-%m-%d %H:%MZ}",
            escape(row.reason),
        )
    newest = "no date stands" if found.newest is None else f"newest {found.newest}, {_age(found.age_days)}"
    return [table, f"{len(found.days)} dates held; {newest}"]


def _age(days: int) -> str:
    return f"{days} days ago" if days >= 0 else f"{-days} days ahead of today's date"


def status_json(basin: str, found: Status) -> dict[str, Any]:
    """Return what `snowtally status --json` prints."""
    newest = None if found.newest is None else str(found.newest)
    return {"basin": basin, "newest": newest, "age_days": found.age_days, "days": _rows(found.days)}


def _bands(totals: pd.DataFrame) -> Table:
    table = Table(title="By elevation band", title_justify="left")
    for header in (
        "band m",
        "area km2",
        "snow km2",
        "mean SWE mm",
        "se",
        "million m3",
        "se",
        "10 %",
        "90 %",
        "density kg/m3",
    ):
        table.add_column(header, justify="right")
    for row in totals[totals["level"] == "band"].sort_values("band_low_m", ascending=False).itertuples():
        density = "" if math.isnan(row.density_mean_kg_m3) else f"{row.density_mean_kg_m3:.0f}"
        volumes = (row.volume_m3, row.volume_se_m3, row.volume_p10_m3, row.volume_p90_m3)
        table.add_row(
            f"{row.band_low_m:.0f}-{row.band_high_m:.0f}",
            f"{row.area_km2:.2f}",
            f"{row.snow_area_km2:.2f}",
            f"{row.swe_mean_mm:.0f}",
            f"{row.swe_se_mm:.0f}",
            *(_volume(volume) for volume in volumes),
            density,
        )
    return table


def _sources(outcome: Outcome) -> Table:
    """Return how much of each input was used and set aside."""
    readings = outcome.readings
    ground, checks = readings.inputs.ground, readings.inputs.checks
    sites = pd.read_csv(outcome.published.path / "sites.csv")
    aside = checks[(checks["action"] == "set aside") & (checks["severity"] != "note")].groupby("table").size()
    flights = ", ".join(f"{f.attrs['flight_id']} of {f.attrs['date']}" for f in readings.inputs.flights)
    table = Table("input", "used", "findings set aside", title="What was used", title_justify="left")
    table.add_row("sites", f"{int(sites['used'].sum())} of {len(sites)} tell of this date", str(aside.get("sites", 0)))
    table.add_row("courses", f"{len(ground.visits)} visits this season", str(aside.get("courses", 0)))
    table.add_row("stations", f"{len(ground.daily)} station days this season", str(aside.get("stations", 0)))
    table.add_row("flights", escape(flights) or "none yet", str(aside.get("flights", 0)))
    cover = "none of this date" if readings.inputs.cover is None else "snow cover of this date"
    table.add_row("covers", cover, str(aside.get("covers", 0)))
    return table


def _findings(readings: Readings, *, full: bool) -> str:
    checks = readings.inputs.checks
    if checks.empty:
        return "No findings on the inputs."
    if not full:
        counts = checks.groupby(["severity", "rule", "action"]).size().reset_index(name="n")
        counts = counts.sort_values(["severity", "n"], key=lambda c: c.map(SEVERITIES) if c.name == "severity" else -c)
        listed = ", ".join(f"{row.n} x {row.rule} ({row.action})" for row in counts.itertuples())
        return f"Findings: {listed}. `snowtally check` tells them one by one."
    grouped = _by_site(checks)
    lines: list[str] = []
    for site_id, of_site in grouped.groupby("site_id", sort=False):
        lines.append(f"\n{site_id}" if site_id else "\nOf no single site")
        lines += [line for row in of_site.itertuples() for line in _told(row)]
    return escape("\n".join(lines).strip("\n"))


SEVERITIES = {"error": 0, "warning": 1, "note": 2}


def _by_site(checks: pd.DataFrame) -> pd.DataFrame:
    """Return one row a site, rule and action: sites with the most serious findings first, and theirs likewise.

    Columns: site_id, table, rule, severity, action, count, start, end (first and last time), and file, line, evidence and detail
    of the worst: the most serious finding of them, the one of the longest time among those.
    """
    ranked = checks.assign(rank=checks["severity"].map(SEVERITIES))
    ranked["first"], ranked["last"] = ranked["start"], ranked["end"].where(ranked["end"] != "", ranked["start"])
    ranked["lasting"] = _days(ranked["last"]) - _days(ranked["first"])
    order = ["rank", "table", "site_id", "rule", "action", "lasting", "start", "file", "line"]
    ranked = ranked.sort_values(order, ascending=[name != "lasting" for name in order], kind="stable")
    rows = [
        {
            **group.iloc[0].to_dict(),
            "count": len(group),
            "start": min((t for t in group["first"] if t), default=""),
            "end": group["last"].max(),
        }
        for _, group in ranked.groupby(["site_id", "table", "rule", "action"], sort=False)
    ]
    names = [
        "site_id",
        "table",
        "rule",
        "severity",
        "action",
        "count",
        "start",
        "end",
        "file",
        "line",
        "evidence",
        "detail",
    ]
    found = pd.DataFrame(rows, columns=[*names, "rank"])
    worst = found.groupby("site_id")["rank"].transform("min")
    found = found.assign(worst=worst).sort_values(["worst", "site_id", "rank", "rule", "start"], kind="stable")
    return found[names].reset_index(drop=True)


def _days(times: pd.Series) -> pd.Series:
    return pd.to_datetime(times.str[:10], format="%Y-%m-%d", errors="coerce").astype("int64")


def _told(row: Any) -> list[str]:  # noqa: ANN401  a row of itertuples
    """Return what an operator needs of one rule at one site: what, how often, when, the worst of it and where, the cure."""
    when = row.start if row.end in ("", row.start) else f"{row.start} to {row.end}"
    file = row.file.rsplit("/", 1)[-1]
    place = f"{file}:{row.line}" if row.line else file
    often = f" x{row.count}" if row.count > 1 else ""
    head = f"  {row.severity}: {row.rule}{often} in {row.table}, {row.action}"
    worst = f"{'worst: ' if row.count > 1 else ''}{row.evidence}" if row.evidence else ""
    return [
        "  ".join(part for part in (head, when, worst, f"[{place}]") if part),
        *([f"      {row.detail}"] if row.detail else []),
    ]


def _volume(m3: float) -> str:
    """Return a volume in million m3 with about three digits.

    >>> _volume(123_456_789.0), _volume(1_234_567.0), _volume(0.0)
    ('123', '1.23', '0.00')
    """
    value = m3 / MILLION
    large = 100
    small = 10
    return f"{value:.0f}" if value >= large else f"{value:.1f}" if value >= small else f"{value:.2f}"


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table's rows as JSON's own values: missing numbers as null, dates as text."""
    return [{name: _value(value) for name, value in row.items()} for row in table.astype(object).to_dict("records")]


def _value(value: Any) -> Any:  # noqa: ANN401  whatever a cell of a table holds
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, dt.datetime):
        return value.isoformat().replace("+00:00", "Z")
    return value if isinstance(value, bool | int | float | str) else str(value)
