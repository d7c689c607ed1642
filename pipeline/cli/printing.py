"""What the command line says: results as tables for people and as plain values for machines."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pandas as pd
from rich.table import Table
from rich.text import Text

from pipeline.cli.values import figure, label, plain_rows, volume
from pipeline.gather.day import Readings
from pipeline.model.problems import FINDING_COLUMNS, SEVERITIES
from pipeline.operations.run import Outcome
from pipeline.reading import basin_row, load_record, revision_totals
from pipeline.report.units import Units
from pipeline.report.words import CAUTIONS
from pipeline.storage.csv_text import with_originals
from pipeline.storage.paths import local_file


def update_tables(outcome: Outcome, units: Units) -> list[Any]:
    """Return what `snowtally update` prints: the basin, its bands, the inputs used and set aside, the archive entry."""
    totals = revision_totals(outcome.published.path)
    basin = basin_row(totals)
    told = {name: volume(basin[name], units) for name in basin.index if name.startswith("volume")}
    inputs, checks = outcome.readings.inputs, _published_checks(outcome.published.path)
    parts: list[Any] = [
        Text(f"{inputs.title}, {inputs.day.date}", style="bold"),
        *(
            Text(f"{line[:1].upper()}{line[1:]}: readers do not get the figures below", style="yellow")
            for line in outcome.published.held_back_line
        ),
        f"Water in the snow: {told['volume_m3']} {label(units.volume)}, standard error {told['volume_se_m3']} "
        f"(10 to 90 % chance: {told['volume_p10_m3']} to {told['volume_p90_m3']})",
        f"Mean SWE: {figure(basin['swe_mean_mm'], units.swe)} {label(units.swe)}, standard error "
        f"{figure(basin['swe_se_mm'], units.swe)} {label(units.swe)}, over {figure(basin['area_km2'], units.area)} "
        f"{label(units.area)}, of which {figure(basin['snow_area_km2'], units.area)} {label(units.area)} under snow",
        _bands(totals, units),
        *outlook_lines(outcome.published.path, units),
        _sources(outcome, checks),
        _findings(checks, full=False),
    ]
    if outcome.readings.degraded:
        parts.append(Text("Degraded night: " + _degraded(outcome.readings), style="yellow"))
    if outcome.second_look:
        parts.append(Text(f"For a second look: {outcome.second_look}", style="yellow"))
    if outcome.published.unchanged:
        parts.append(f"Nothing new published: {outcome.published.why}: {outcome.published.path}")
    else:
        parts.append(f"Archive entry published: {outcome.published.path}")
    if outcome.published.made_current:
        parts.append(f"Made current by your decision: {outcome.published.path.name}")
    parts += [Text(f"Note: {outcome.new_archive}", style="yellow")] if outcome.new_archive else []
    parts += [f"Page: {outcome.pages.day}"] if outcome.pages.day else []
    parts += [Text(f"The {trouble}", style="yellow") for trouble in outcome.pages.troubles]
    parts.append(Text(" ".join(CAUTIONS[:2]), style="dim"))
    return parts


def update_json(outcome: Outcome) -> dict[str, Any]:
    """Return what `snowtally update --json` prints."""
    totals = revision_totals(outcome.published.path)
    return {
        "basin": outcome.readings.inputs.day.basin_id,
        "date": str(outcome.readings.inputs.day.date),
        "revision": outcome.published.revision,
        "unchanged": outcome.published.unchanged,
        "why": outcome.published.why,
        "path": str(outcome.published.path),
        "held_back": outcome.published.held_back,
        "current_revision": outcome.published.current and outcome.published.current.number,
        "made_current": outcome.published.made_current,
        "degraded": outcome.readings.degraded,
        "second_look": outcome.second_look,
        "new_archive": outcome.new_archive,
        "page": None if outcome.pages.day is None else str(outcome.pages.day),
        "page_troubles": outcome.pages.troubles,
        "totals": plain_rows(totals[totals["level"].isin(["basin", "zone", "band"])]),
        "outlook": _outlook_rows(outcome.published.path),
        "findings": plain_rows(_published_checks(outcome.published.path)),
    }


def _published_checks(path: Path) -> pd.DataFrame:
    """Return `checks.csv` of a revision: the findings on the inputs, and those of the estimate itself."""
    texts = dict.fromkeys((name for name in FINDING_COLUMNS if name != "line"), "str")
    return with_originals(pd.read_csv(local_file(path / "checks.csv"), dtype=texts, keep_default_na=False))


def _outlook_rows(path: Path) -> list[dict[str, Any]] | None:
    """Return the basin's days of a revision's melt outlook; None where it has none."""
    if not (path / "outlook.csv").exists():
        return None
    table = pd.read_csv(local_file(path / "outlook.csv"))
    return plain_rows(
        table[table["level"] == "basin"].drop(columns=["basin_id", "level", "zone_id", "band_low_m", "band_high_m"])
    )


def check_tables(readings: Readings, impossible: str) -> list[Any]:
    """Return what `snowtally check` prints: what was read, and the findings by site, the most serious first.

    `impossible` tells why a night on these inputs would fail, empty where it would not.
    """
    ground = readings.inputs.ground
    parts: list[Any] = [
        Text(f"{readings.inputs.title}: inputs that {readings.inputs.day.date} may use", style="bold"),
        f"{len(ground.sites)} sites; {len(readings.rows['courses'])} course samples on {len(ground.visits)} visits; "
        f"{len(readings.rows['stations'])} station readings on {len(ground.daily)} station days; "
        f"{len(readings.inputs.flights)} flights; {len(readings.rows['weather'])} days of weather",
        _findings(readings.inputs.checks, full=True),
    ]
    if impossible:
        parts.append(Text(f"A night on these inputs would fail: {impossible}", style="red"))
    elif readings.degraded:
        parts.append(Text("A night on these inputs would be degraded: " + _degraded(readings), style="yellow"))
    return parts


def _degraded(readings: Readings) -> str:
    """Return why a night is degraded in one line: what has one remedy is told with it once, and with the sites it is about."""
    told: dict[tuple[str, str], list[str]] = {}
    for finding in readings.findings:
        if finding.degrades:
            evidence = f"({finding.evidence})" if finding.evidence else ""
            about = " ".join(part for part in (finding.site_id, evidence) if part)
            told.setdefault((finding.rule.name, finding.detail), []).append(about)
    return "; ".join(
        f"{rule}{' ' * any(about)}{', '.join(filter(None, about))}: {detail}" for (rule, detail), about in told.items()
    )


def check_json(readings: Readings, impossible: str) -> dict[str, Any]:
    """Return what `snowtally check --json` prints."""
    return {
        "basin": readings.inputs.day.basin_id,
        "date": str(readings.inputs.day.date),
        "no_estimate": impossible,
        "degraded": readings.degraded,
        "rows": {name: len(table) for name, table in readings.rows.items()},
        "flights": [flight.attrs["flight_id"] for flight in readings.inputs.flights],
        "files": [{"role": f.role, "path": str(f.path), "size": f.size, "sha256": f.sha256} for f, _ in readings.files],
        "findings": plain_rows(readings.inputs.checks),
        "by_site": plain_rows(_by_site(readings.inputs.checks)),
    }


def outlook_lines(path: Path, units: Units) -> list[str]:
    """Return what is told of a revision's melt outlook, or why it has none; nothing of a revision that knows of no outlook."""
    if not (path / "outlook.csv").exists():
        told = load_record(path)["models"].get("outlook")
        return [f"No melt outlook: {told['why']}"] if told else []
    table = pd.read_csv(local_file(path / "outlook.csv"))
    basin = table[table["level"] == "basin"]
    first, last = basin.iloc[0], basin.iloc[-1]
    # Errors of the days are nearly one and the same.
    melt, error = (volume(basin[name].sum(), units) for name in ("melt_m3", "melt_se_m3"))
    return [
        f"Melt outlook {first['day']} to {last['day']}: {melt} {label(units.volume)} may melt, standard error {error}; "
        f"{figure(last['snow_area_km2'], units.area)} {label(units.area)} then under snow. Potential melt is not runoff: no routing, no losses, no rain on snow"
    ]


def _bands(totals: pd.DataFrame, units: Units) -> Table:
    table = Table(title="By elevation band", title_justify="left")
    for header in (
        f"band {label(units.elevation)}",
        f"area {label(units.area)}",
        f"snow {label(units.area)}",
        f"mean SWE {label(units.swe)}",
        "se",
        label(units.volume),
        "se",
        "10 %",
        "90 %",
        f"density {label(units.density)}",
    ):
        table.add_column(header, justify="right")
    for row in totals[totals["level"] == "band"].sort_values("band_low_m", ascending=False).itertuples():
        density = "" if math.isnan(row.density_mean_kg_m3) else figure(row.density_mean_kg_m3, units.density)
        volumes = (row.volume_m3, row.volume_se_m3, row.volume_p10_m3, row.volume_p90_m3)
        table.add_row(
            f"{figure(row.band_low_m, units.elevation)}-{figure(row.band_high_m, units.elevation)}",
            figure(row.area_km2, units.area, finer=1),
            figure(row.snow_area_km2, units.area, finer=1),
            figure(row.swe_mean_mm, units.swe),
            figure(row.swe_se_mm, units.swe),
            *(volume(m3, units) for m3 in volumes),
            density,
        )
    return table


def _sources(outcome: Outcome, checks: pd.DataFrame) -> Table:
    """Return how much of each input was used, and how many of its findings set something aside."""
    readings = outcome.readings
    ground = readings.inputs.ground
    sites = pd.read_csv(local_file(outcome.published.path / "sites.csv"))
    aside = checks[checks["action"] == "set aside"].groupby("table").size()
    flights = ", ".join(f"{f.attrs['flight_id']} of {f.attrs['date']}" for f in readings.inputs.flights)
    table = Table("input", "used", "findings set aside", title="What was used", title_justify="left")
    table.add_row("sites", f"{int(sites['used'].sum())} of {len(sites)} tell of this date", str(aside.get("sites", 0)))
    table.add_row("courses", f"{len(ground.visits)} visits this season", str(aside.get("courses", 0)))
    table.add_row("stations", f"{len(ground.daily)} station days this season", str(aside.get("stations", 0)))
    table.add_row("flights", flights or "none yet", str(aside.get("flights", 0)))
    table.add_row("covers", _covers(readings) or "none yet", str(aside.get("covers", 0)))
    return table


def _covers(readings: Readings) -> str:
    """Return the cover grids that the day used, by variable with their dates."""
    used: dict[str, list[str]] = {}
    for file, _ in readings.files:
        role, *words = file.role.split()
        if role == "cover":
            date, variable = words
            used.setdefault(variable, []).append(date)
    return ", ".join(f"{variable} of {' and '.join(sorted(set(dates)))}" for variable, dates in sorted(used.items()))


def _findings(checks: pd.DataFrame, *, full: bool) -> str:
    if checks.empty:
        return "No findings on the inputs."
    if not full:
        groups = checks.groupby(["severity", "rule", "action"])
        counts = groups["site_id"].agg(n="size", sites=_named).reset_index()
        counts = counts.sort_values(["severity", "n"], key=lambda c: c.map(SEVERITIES) if c.name == "severity" else -c)
        listed = ", ".join(f"{row.n} x {row.rule}{row.sites} ({row.action})" for row in counts.itertuples())
        return f"Findings: {listed}. `snowtally check` tells them by site, checks.csv of the entry holds each."
    grouped = _by_site(checks)
    lines: list[str] = []
    for site_id, of_site in grouped.groupby("site_id", sort=False):
        lines.append(f"\n{site_id}" if site_id else "\nOf no single site")
        lines += [line for row in of_site.itertuples() for line in _told(row)]
    return "\n".join(lines).strip("\n")


NAMED_SITES = 3
"""Sites named behind a rule on one line; of more the line tells the number alone."""


def _named(site_ids: pd.Series) -> str:
    """Return the sites that a rule is about, where they are few."""
    named = sorted({site_id for site_id in site_ids if site_id})
    return f" {', '.join(named)}" if 0 < len(named) <= NAMED_SITES else ""


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
