"""Commands on the archive: past dates again, withdrawals, what is held, and whether it is sound."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from pipeline.archive.revisions import RevisionId, asked_revision
from pipeline.cli.base import (
    DEGRADED,
    FAILED,
    OK,
    STAGES,
    JsonOption,
    MakeCurrentOption,
    ReasonOption,
    SettingsFile,
    VerboseOption,
    day_of,
    leave,
    print_json,
    print_tables,
    progress,
    reason_of,
)
from pipeline.model.problems import ArchiveError, SettingsError, StoppedError
from pipeline.operations.stopping import number_of

if TYPE_CHECKING:
    from pipeline.settings.basin import Settings

UntilOption = Annotated[str | None, typer.Option("--until", metavar="E", help="The last date of a range, included.")]


def rerun(  # noqa: PLR0913  a command's options
    settings: SettingsFile,
    date: Annotated[
        str | None, typer.Option("--date", metavar="D", help="The local day, or the first of a range.")
    ] = None,
    until: UntilOption = None,
    reason: ReasonOption = None,
    inputs_of: Annotated[
        str | None,
        typer.Option(
            "--inputs-of",
            metavar="D@R",
            help="Make this revision again from the archive alone and compare; publish nothing.",
        ),
    ] = None,
    into: Annotated[
        str | None, typer.Option("--into", metavar="PATH", help="Publish into this archive (or URL) instead: what if?")
    ] = None,
    make_current: MakeCurrentOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Estimate past dates again with the inputs there are now, as new revisions."""
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    if inputs_of is not None:
        if (date, until, reason, into, make_current) != (None, None, None, None, False):
            raise SettingsError(
                "--inputs-of makes one revision again and publishes nothing: leave --date, --until, --reason, --into and "
                "--make-current out"
            )
        _make_again(settings, inputs_of, as_json=as_json, verbose=verbose)
        return
    first = day_of(date)
    if first is None:
        raise SettingsError("rerun needs --date D, the date to estimate again, or --inputs-of D@R")
    chosen = read_settings(settings)
    wanted = reason_of(reason)
    last = day_of(until, "--until") or first
    with progress(as_json=as_json, verbose=verbose, stages=STAGES * ((last - first).days + 1)) as stage:
        stage("starting")
        from pipeline.operations import rerun as past  # noqa: PLC0415

        if into is not None:
            chosen = past.side_archive(chosen, into)
        dates = past.dates_to_rerun(chosen, first, last, only_held=into is None)
        outcomes, stopped = _until_stopped(past.rerun(chosen, dates, wanted, stage, make_current=make_current))
    _tell_dates(chosen.basin.id, outcomes, stopped, as_json=as_json)


def backfill(
    settings: SettingsFile,
    start: Annotated[str, typer.Option("--from", metavar="D", help="The first date.")],
    until: Annotated[str, typer.Option("--until", metavar="E", help="The last date, included.")],
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Estimate the dates that the archive lacks."""
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    chosen = read_settings(settings)
    first, last = day_of(start, "--from"), day_of(until, "--until")
    with progress(as_json=as_json, verbose=verbose, stages=STAGES * ((last - first).days + 1)) as stage:
        stage("starting")
        from pipeline.operations import rerun as past  # noqa: PLC0415

        dates = past.dates_lacking(chosen, first, last)
        if chosen.operations.workers.engine != "serial":
            _spread(chosen, dates, stage, as_json=as_json)
        outcomes, stopped = _until_stopped(past.backfill(chosen, dates, stage))
    _tell_dates(chosen.basin.id, outcomes, stopped, as_json=as_json)


def _until_stopped(each: Iterator[Any]) -> tuple[list[Any], StoppedError | None]:
    """Return what came of each date until all were done or the user stopped it, and that the user did."""
    done = []
    try:
        for one in each:
            done.append(one)  # noqa: PERF402  a list would be lost with the interruption
    except KeyboardInterrupt as stop:
        return done, StoppedError(number_of(stop))
    return done, None


def _spread(chosen: Settings, dates: list[dt.date], stage: Callable[[str], None], *, as_json: bool) -> NoReturn:
    """Run the dates on the workers of the settings, tell what became of them, and leave with the status."""
    from pipeline.cli.printing_archive import nights_json, nights_tables  # noqa: PLC0415
    from pipeline.operations.nights import exit_status  # noqa: PLC0415
    from pipeline.operations.run_id import new_run_id  # noqa: PLC0415
    from pipeline.operations.spread import run_dates  # noqa: PLC0415

    def told() -> Iterator[Any]:
        for one in run_dates(chosen, dates, new_run_id(), ("backfill", "backfill"), chosen.operations.workers):
            stage(f"{one.date}: {one.state}")
            yield one

    results, stopped = _until_stopped(told())
    tables = nights_tables(results) if results or stopped is None else []
    _tell(tables, nights_json(chosen.basin.id, results), stopped, as_json=as_json)
    raise typer.Exit(exit_status(results))


def withdraw(
    settings: SettingsFile,
    revision: Annotated[str, typer.Argument(metavar="D@R", help="The revision, such as 2031-03-01@2.")],
    reason: ReasonOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take a revision back; it stays readable by its number."""
    from pipeline.publishing.publish import withdraw as take_back  # noqa: PLC0415
    from pipeline.publishing.second_look import look_again  # noqa: PLC0415
    from pipeline.report.pages import remake  # noqa: PLC0415
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    chosen = read_settings(settings)
    asked = _revision(revision)
    date, wanted = asked.date, reason_of(reason)
    current = take_back(chosen.archive_root, chosen.basin.id, date, asked.number, wanted)
    # What was marked against the revision, or was not since it was current in between, is judged against the current one now.
    second_look = look_again(chosen.archive_root, chosen.basin.id, date, chosen.operations.gate.most_se)
    pages = remake(chosen.archive_root, chosen.basin.id, date, chosen.report.units)
    if as_json:
        now = None if current is None else current.number
        print_json({
            "basin": chosen.basin.id, "date": str(date), "withdrawn": asked.number, "stands": now, "reason": wanted,
            "second_look": second_look, "page_troubles": pages.troubles,
        })  # fmt: skip
    else:
        now = "no revision of this date is current now" if current is None else f"{current.path} is current now"
        print_tables(
            [
                f"Withdrawn: {chosen.basin.id} {asked}; it stays readable by its number; {now}",
                *([f"For a second look: {second_look}"] if second_look else []),
                *(f"The {trouble}" for trouble in pages.troubles),
            ]
        )


def status(
    settings: SettingsFile,
    max_age_days: Annotated[
        int | None,
        typer.Option(
            "--max-age-days", metavar="N", min=0,
            help="For monitors: exit status 1 when the newest date is older or there is none, 3 when it is degraded.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:  # fmt: skip
    """Tell which dates are held, degraded, failed or missing, and how old the newest is."""
    from pipeline.cli.printing_archive import status_json, status_tables  # noqa: PLC0415
    from pipeline.inspection.status import status as look  # noqa: PLC0415
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    chosen = read_settings(settings)
    local = dt.timezone(dt.timedelta(hours=chosen.basin.utc_offset_hours))
    today = dt.datetime.now(local).date()
    found = look(chosen.archive_root, chosen.basin.id, today, chosen.basin.season_start)
    if as_json:
        print_json(status_json(chosen.basin.id, found))
    else:
        print_tables(status_tables(chosen.basin.title, found))
    if max_age_days is not None:
        late = found.age_days is None or found.age_days > max_age_days
        raise typer.Exit(FAILED if late else DEGRADED if found.newest_is_degraded else OK)


def verify(
    settings: SettingsFile,
    rebuild: Annotated[
        bool,
        typer.Option(
            "--rebuild", help="First make again what is derived: latest.json, index, totals, catalogues, pages."
        ),
    ] = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Hash the archive again, hold it against its records, and tell what is broken and how to mend it."""
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    chosen = read_settings(settings)
    with progress(as_json=as_json, verbose=verbose) as stage:
        stage("starting")
        from pipeline.cli.printing_archive import verify_json, verify_tables  # noqa: PLC0415
        from pipeline.inspection.verify import verify as look  # noqa: PLC0415
        from pipeline.publishing.publish import rebuild_derived  # noqa: PLC0415
        from pipeline.report.pages import remake_all  # noqa: PLC0415

        root, troubles = chosen.archive_root, []
        if rebuild:
            rebuild_derived(root, chosen.basin.id)
            troubles = remake_all(root, chosen.basin.id, chosen.report.units, stage)
        found = replace(look(root, chosen.basin.id, stage), rebuilt=rebuild)
    if as_json:
        print_json(verify_json(chosen.basin.id, found) | ({"page_troubles": troubles} if rebuild else {}))
    else:
        print_tables([*verify_tables(chosen.basin.title, found), *(f"The {trouble}" for trouble in troubles)])
    raise typer.Exit(FAILED if found.troubles else OK)


def _make_again(settings: Path, asked: str, *, as_json: bool, verbose: bool) -> None:
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    chosen = read_settings(settings)
    wanted = _revision(asked)
    with progress(as_json=as_json, verbose=verbose, stages=4) as stage:
        stage("starting")
        from pipeline.cli.printing_archive import rebuilt_json, rebuilt_tables  # noqa: PLC0415
        from pipeline.operations.rebuild import rebuild_revision  # noqa: PLC0415

        found = rebuild_revision(chosen, wanted.date, wanted.number, stage)
    if as_json:
        print_json(rebuilt_json(chosen.basin.id, found))
    else:
        print_tables(rebuilt_tables(found))
    raise typer.Exit(OK if found.reproduced else FAILED)


def _revision(text: str) -> RevisionId:
    try:
        asked = asked_revision(text)
    except ArchiveError as trouble:
        raise SettingsError(str(trouble)) from None
    if not isinstance(asked, RevisionId):
        raise SettingsError(f"'{text}' is not a revision. Write its date and number as 2031-03-01@2")
    return asked


def _tell(tables: list[Any], content: dict[str, Any], stopped: StoppedError | None, *, as_json: bool) -> None:
    """Print what came of the dates, and leave where the user stopped before all were done."""
    if not as_json:
        print_tables(tables)
    if stopped is not None:
        leave(str(stopped), stopped.exit_status, content)
    if as_json:
        print_json(content)


def _tell_dates(basin: str, outcomes: list[Any], stopped: StoppedError | None, *, as_json: bool) -> None:
    from pipeline.cli.printing_archive import dates_json, dates_tables  # noqa: PLC0415

    tables = dates_tables(outcomes) if outcomes or stopped is None else []
    _tell(tables, dates_json(basin, outcomes), stopped, as_json=as_json)
    if any(one.published is None for one in outcomes):
        raise typer.Exit(FAILED)
    raise typer.Exit(DEGRADED if any(one.to_look_at for one in outcomes) else OK)
