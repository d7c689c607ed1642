"""Commands on past dates: estimated again, made for the first time, or made again from the archive alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Annotated, Any, Generic, TypeVar

import typer

from snowtally.cli import base
from snowtally.cli.values import revision_facts
from snowtally.model.problems import ArchiveError, SettingsError, StoppedError
from snowtally.operations.stopping import number_of

if TYPE_CHECKING:
    from snowtally.archive.revisions import RevisionId
    from snowtally.operations.night import NightResult
    from snowtally.operations.rebuild import Rebuilt
    from snowtally.operations.rerun import DateOutcome

UntilOption = Annotated[str | None, typer.Option("--until", metavar="E", help="The last date of a range, included.")]


def rerun(  # noqa: PLR0913  a command's options
    settings: base.SettingsFile,
    date: Annotated[
        str | None, typer.Option("--date", metavar="D", help="The local day, or the first of a range.")
    ] = None,
    until: UntilOption = None,
    reason: base.ReasonOption = None,
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
    make_current: base.MakeCurrentOption = False,
    as_json: base.JsonOption = False,
    verbose: base.VerboseOption = False,
) -> None:
    """Estimate past dates again with the inputs there are now, as new revisions."""
    if inputs_of is not None:
        if (date, until, reason, into, make_current) != (None, None, None, None, False):
            raise SettingsError(
                "--inputs-of makes one revision again and publishes nothing: leave --date, --until, --reason, --into and "
                "--make-current out"
            )
        result = _rebuild(settings, inputs_of, as_json=as_json, verbose=verbose)
        base.finish(result, as_json=as_json)
    if date is None:
        raise SettingsError("rerun needs --date D, the date to estimate again, or --inputs-of D@R")
    first = base.date_of(date)
    chosen = base.read(settings)
    wanted = base.reason_of(reason)
    last = first if until is None else base.date_of(until, "--until")
    with base.progress(as_json=as_json, verbose=verbose, stages=base.STAGES * ((last - first).days + 1)) as stage:
        stage("starting")
        from snowtally.operations import rerun as past

        if into is not None:
            chosen = past.side_archive(chosen, into)
        dates = past.dates_to_rerun(chosen, first, last, only_held=into is None)
        outcomes, stop = _until_stopped(past.rerun(chosen, dates, wanted, stage, make_current=make_current))
    base.finish(_or_stopped(DatesResult(chosen.basin.id, len(dates), outcomes), stop), as_json=as_json)


def backfill(
    settings: base.SettingsFile,
    start: Annotated[str, typer.Option("--from", metavar="D", help="The first date.")],
    until: Annotated[str, typer.Option("--until", metavar="E", help="The last date, included.")],
    as_json: base.JsonOption = False,
    verbose: base.VerboseOption = False,
) -> None:
    """Estimate the dates that the archive lacks."""
    chosen = base.read(settings)
    first, last = base.date_of(start, "--from"), base.date_of(until, "--until")
    result: base.Result
    with base.progress(as_json=as_json, verbose=verbose, stages=base.STAGES * ((last - first).days + 1)) as stage:
        stage("starting")
        from snowtally.operations import rerun as past
        from snowtally.operations.spread import backfill_jobs, run_dates

        dates = past.dates_lacking(chosen, first, last)
        if chosen.operations.workers.engine == "serial":
            outcomes, stop = _until_stopped(past.backfill(chosen, dates, stage))
            result = DatesResult(chosen.basin.id, len(dates), outcomes)
        else:

            def nights() -> Iterator[NightResult]:
                for night in run_dates(chosen, backfill_jobs(chosen, dates), chosen.operations.workers):
                    stage(f"{night.date}: {night.state}")
                    yield night

            results, stop = _until_stopped(nights())
            result = NightsResult(chosen.basin.id, len(dates), results)
    base.finish(_or_stopped(result, stop), as_json=as_json)


T = TypeVar("T")


def _until_stopped(items: Iterator[T]) -> tuple[list[T], KeyboardInterrupt | None]:
    """Return what was done, and the user's interruption, if any."""
    done: list[T] = []
    try:
        for item in items:
            done.append(item)  # noqa: PERF402  a list would be lost with the interruption
    except KeyboardInterrupt as stop:
        return done, stop
    return done, None


def _or_stopped(result: base.Result, stop: KeyboardInterrupt | None) -> base.Result:
    if stop is None:
        return result
    stopped = StoppedError(number_of(stop))
    return base.Failure(str(stopped), stopped.exit_status, result)


def _rebuild(settings_file: base.SettingsFile, revision: str, *, as_json: bool, verbose: bool) -> base.Result:
    chosen = base.read(settings_file)
    asked = revision_of(revision)
    with base.progress(as_json=as_json, verbose=verbose, stages=4) as stage:
        stage("starting")
        from snowtally.operations.rebuild import rebuild_revision

        return RebuildResult(chosen.basin.id, rebuild_revision(chosen, asked.date, asked.number, stage))


def revision_of(text: str) -> RevisionId:
    """Return the date and number of a revision such as 2031-03-01@2."""
    from snowtally.archive.revisions import RevisionId, asked_revision

    try:
        asked = asked_revision(text)
    except ArchiveError as trouble:
        raise SettingsError(str(trouble)) from None
    if not isinstance(asked, RevisionId):
        raise SettingsError(f"'{text}' is not a revision. Write its date and number as 2031-03-01@2")
    return asked


# --- results ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Several(base.Result, Generic[T]):
    """What several dates came to.

    Parameters
    ----------
    basin : the basin's id.
    asked : how many dates there were to do.
    dates : what came of those that were done.
    """

    basin: str
    asked: int
    dates: list[T]


_NOTHING_TO_DO = "Nothing to do: the archive holds every date of the range"


class DatesResult(_Several["DateOutcome"]):
    """What dates came to that were estimated one after the other."""

    @property
    def status(self) -> base.Status:
        """The worst of the dates."""
        if any(one.published is None for one in self.dates):
            return base.Status.FAILED
        return base.Status.DEGRADED if any(one.to_look_at for one in self.dates) else base.Status.OK

    def to_json(self) -> dict[str, Any]:
        """Return each date with its revision and what changed."""
        return {"basin": self.basin, "dates": [_date_json(one) for one in self.dates]}

    def to_table(self) -> list[Any]:
        """Return one row a date, with what changed since the revision before."""
        if not self.dates:
            return [] if self.asked else [_NOTHING_TO_DO]
        headers = ("date", "outcome", "revision", "changed since the revision before, or why not")
        return [base.table(None, headers, [(str(one.date), *_date_words(one)) for one in self.dates], words=4)]


class NightsResult(_Several["NightResult"]):
    """What dates came to that ran on several workers."""

    @property
    def status(self) -> int:
        """The worst of the dates."""
        from snowtally.operations.nights import exit_status

        return exit_status(self.dates)

    def to_json(self) -> dict[str, Any]:
        """Return each date with its revision, or why there is none."""
        keys = ("date", "run_id", "state", "revision", "path", "unchanged", "held_back", "message", "seconds")
        return {"basin": self.basin, "dates": [{key: getattr(one, key) for key in keys} for one in self.dates]}

    def to_table(self) -> list[Any]:
        """Return one row a date, with what to look at."""
        if not self.dates:
            return [] if self.asked else [_NOTHING_TO_DO]
        rows = [
            (
                one.date,
                one.state,
                "" if one.revision is None else f"r{one.revision:03d}",
                f"{one.seconds:.1f}",
                one.message,
            )
            for one in self.dates
        ]
        return [base.table(None, ("date", "outcome", "revision", "seconds", "what to look at"), rows, words=5)]


def _date_json(one: DateOutcome) -> dict[str, Any]:
    published = one.published
    if published is None:
        return {"date": str(one.date), "state": "failed", "message": one.trouble}
    return {
        "date": str(one.date),
        "state": "degraded" if one.to_look_at else "done",
        **revision_facts(published),
        "degraded": list(one.to_look_at),
        "new_archive": one.new_archive,
        "changes": published.changes,
        "page_troubles": list(one.page_troubles),
    }


def _date_words(one: DateOutcome) -> tuple[str, str, str]:
    """Return the outcome, the entry, and what changed or why not."""
    published = one.published
    if published is None:
        return "failed", "", one.trouble
    back = published.held_back_line + ["made current by your decision"] * published.made_current
    if published.unchanged:
        return "nothing new", published.path.name, "; ".join([*back, published.why])
    changed = changes_text(published.changes)
    if published.changes is None and published.revision > 1:
        changed = "what changed cannot be told: the record of the revision before cannot be read"
    new = [one.new_archive] * bool(one.new_archive)
    return (
        "held back" if published.held_back else "degraded" if one.to_look_at else "done",
        published.path.name,
        "; ".join([*back, *one.to_look_at, changed, *one.page_troubles, *new]),
    )


def changes_text(changes: dict[str, Any] | None) -> str:
    """Return what changed since another revision in one line."""
    from snowtally.publishing.changes import changes_in_words

    if changes is None:
        return "first revision"
    return "; ".join(changes_in_words(changes)) or "nothing"


@dataclass(frozen=True)
class RebuildResult(base.Result):
    """A revision made again, held against the one published."""

    basin: str
    rebuilt: Rebuilt

    @property
    def status(self) -> base.Status:
        """Failed where something differs."""
        return base.Status.OK if self.rebuilt.reproduced else base.Status.FAILED

    def to_json(self) -> dict[str, Any]:
        """Return the files and figures that are the same and that differ."""
        plain = asdict(self.rebuilt) | {"date": str(self.rebuilt.date), "path": str(self.rebuilt.path)}
        return {"basin": self.basin, "reproduced": self.rebuilt.reproduced, **plain}

    def to_table(self) -> list[Any]:
        """Return which files and figures differ and what may be why."""
        rebuilt = self.rebuilt
        begin = f"{rebuilt.date}@{rebuilt.revision} made again from the archive alone:"
        if rebuilt.reproduced:
            return [f"{begin} all {len(rebuilt.same)} files have the bytes that its record tells"]
        versions = ", ".join(f"{one['key']} {one['was']} then, {one['is']} now" for one in rebuilt.versions)
        return [
            f"{begin} {len(rebuilt.different)} files differ, {len(rebuilt.same)} are the same",
            *(f"  {file}" for file in rebuilt.different),
            *(f"  {one['key']}: {one['was']} in the record, {one['is']} now" for one in rebuilt.values),
            f"Other versions, the likely cause: {versions}"
            if versions
            else "Program and packages are the same: look at the archived inputs with `snowtally verify`",
        ]
