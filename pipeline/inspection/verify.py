"""The archive held against its own records: every file hashed again, strays found, and for each trouble how to mend it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa

from snowtally.archive.revisions import Revision, RevisionId
from snowtally.model.problems import ArchiveError, RecordError
from snowtally.publishing.archived_grids import read_grids
from snowtally.publishing.archived_inputs import inputs_folder, is_input
from snowtally.publishing.archived_rows import archived_months, read_rows
from snowtally.publishing.attempts import ATTEMPTS
from snowtally.publishing.derived import derive, root_catalogue
from snowtally.publishing.second_look import SECOND_LOOK
from snowtally.publishing.soundness import Examined, examine
from snowtally.publishing.staging import in_hand, left_behind
from snowtally.reading import all_revisions, archive_folder, basin_folder, dates_held, decisions, revisions
from snowtally.storage.locks import basin_lock
from snowtally.storage.parquet import read_arrow
from snowtally.storage.paths import in_store

_REBUILD = "Run `snowtally verify --rebuild`."
_COPY = "Put it back from a copy of the archive."
_NEWER = "A newer program published it: install that one. It is not damaged."
_STRAY = "Nothing of the archive names it: move it out."


@dataclass(frozen=True)
class Trouble:
    """One thing wrong: where, what, and how to mend it. The path starts at the archive's folder."""

    path: str
    what: str
    cure: str


@dataclass(frozen=True)
class Verified:
    """What was looked at, and what is wrong.

    Parameters
    ----------
    revisions, files, bytes : how much was looked at.
    troubles : what is wrong.
    not_judged : what cannot be told from work in hand, since a night is at work; one line each.
    lost : revisions that were withdrawn as damaged: somebody has seen to them, and they are no trouble; one line each.
    leftovers : archived inputs that no revision names, by path. A night left them that was cut off, or is at work: no trouble.
    unknown : revisions whose record cannot be read, so that it may name any of the leftovers.
    rebuilt : whether what is derived was made again first.
    """

    revisions: int
    files: int
    bytes: int
    troubles: list[Trouble]
    not_judged: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    leftovers: list[str] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    rebuilt: bool = False


class _Look:
    """One basin's archive under examination."""

    def __init__(self, root: str | Path, basin: str) -> None:
        self.root, self.basin = archive_folder(root), basin
        self.folder = basin_folder(root, basin)
        self.troubles: list[Trouble] = []
        self.not_judged: list[str] = []
        self.lost: list[str] = []
        self.unknown: list[str] = []
        self.gone: dict[RevisionId, str] = {}
        self.lost_known: set[RevisionId] = set()
        with suppress(ArchiveError):
            decided = decisions(root, basin)
            self.gone, self.lost_known = decided.withdrawn, decided.lost
        self.files = self.bytes = self.revisions = 0
        self.seen: set[Path] = set()
        self.named: dict[str, str] = {}
        self.read: set[str] = set()
        self.inputs: set[str] = set()
        self.inputs_broken = False

    def wrong(self, path: Path, what: str, cure: str) -> None:
        self.troubles.append(self.trouble(path, what, cure))

    def trouble(self, path: Path, what: str, cure: str) -> Trouble:
        return Trouble(str(path.relative_to(self.root)), what, cure)


def verify(root: str | Path, basin: str, stage: Callable[[str], None]) -> Verified:
    """Compare every file of a basin's archive with its records.

    Nights may publish meanwhile: what takes long is looked at beside them, and what depends on what there is in all, such as
    what is derived and what belongs to nothing, in the end and while none can publish. Where this user or the place cannot
    have that (an archive that is read-only, a store), what a night at work may be about is not judged, and that is told.

    Raises ArchiveError when there is no such archive or basin, or another process keeps its lock.
    """
    look = _Look(root, basin)
    dates = dates_held(root, basin)
    for date in dates:
        stage(str(date))
        _revisions(look, revisions(root, basin, date))
    stage("inputs")
    _archived_inputs(look)
    stage("what is derived")
    behind = _derived(look, dates)
    with _alone(look) as alone:
        seen = len(look.seen)
        dates = dates_held(root, basin)
        for held in all_revisions(root, basin):
            _revisions(look, held)
        if len(look.seen) > seen:
            _archived_inputs(look)
        if behind or len(look.seen) > seen:
            behind = _derived(look, dates)
        _decisions(look)
        # Asked after all lists are made: who is at work then may have been when they were.
        left = _inputs_left(look)
        strays = _strays(look, dates)
        in_work = [date for date in in_hand(look.root, basin) if date]
        _tell(look, behind, [] if alone else in_work, "files that are derived and do not say what the revisions say")
        look.troubles += strays
        for date in dates:
            _strays_of(look, date, in_work)
    return Verified(
        look.revisions, look.files, look.bytes, look.troubles, look.not_judged, look.lost, left, unknown=look.unknown
    )


@contextmanager
def _alone(look: _Look) -> Iterator[bool]:
    """Keep nights of this basin from publishing, where that can be done. Yield whether it is."""
    with ExitStack() as stack:
        try:
            stack.enter_context(basin_lock(look.root, look.basin))
            alone = not in_store(look.root)
        except OSError:
            # Not ours to write in, or read-only.
            alone = False
        yield alone


def _tell(look: _Look, troubles: list[Trouble], at_work: list[str], what: str) -> None:
    """Add troubles, or that they are not judged. They are not where they may be of nights at work."""
    if troubles and at_work:
        look.not_judged.append(
            f"{what}, {len(troubles)} of them, may be of nights at work ({', '.join(at_work)}): look again after those"
        )
    else:
        look.troubles += troubles


# --- revisions --------------------------------------------------------------------------------------------------------


def _revisions(look: _Look, held: list[Revision]) -> None:
    """Look at those of the revisions that were not looked at yet."""
    for revision in held:
        if revision.path not in look.seen:
            look.seen.add(revision.path)
            look.revisions += 1
            _revision(look, revision)


def _strays_of(look: _Look, date: dt.date, in_work: list[str]) -> None:
    """Add what lies in a date's folder and is not the archive's."""
    folder = look.folder / date.isoformat()
    try:
        paths = sorted(folder.iterdir())
    except NotADirectoryError:
        look.wrong(folder, "is a file where a date's folder belongs", _STRAY)
        return
    for path in paths:
        if path in look.seen or path.name in {"current.json", "report.html"}:
            continue
        if not re.fullmatch(r"r[0-9]{3,}", path.name):
            look.wrong(path, "does not belong here", _STRAY)
        elif date.isoformat() not in in_work:
            # In a store the record comes last, and until then there is none.
            _revision(look, Revision(RevisionId(date, int(path.name[1:])), path))


def _revision(look: _Look, revision: Revision) -> None:
    examined = examine(look.basin, revision)
    look.files += examined.files
    look.bytes += examined.bytes
    _damaged(look, revision, examined)
    for stray in examined.strays:
        look.wrong(stray, "is not named by the record", _STRAY)
    if examined.record is not None:
        for name, sha256 in examined.record["kept_inputs"].items():
            look.named.setdefault(sha256, f"{name} of {revision.id}")


def _damaged(look: _Look, revision: Revision, examined: Examined) -> None:
    """Tell what of a revision is damaged, and the way that works.

    What was withdrawn as damaged is no trouble any more.
    """
    name = str(revision.id)
    if examined.record is None:
        look.unknown.append(name)
    if revision.id in look.lost_known and examined.damages:
        which = ", ".join(sorted({damage.path.name for damage in examined.damages}))
        look.lost.append(f"{name} was withdrawn as damaged ({which}). Put it back where a copy of it turns up")
        return
    for damage in examined.damages:
        look.wrong(damage.path, damage.what, _NEWER if examined.newer else _cure(look, revision))


def _cure(look: _Look, revision: Revision) -> str:
    """Return how a damaged revision is mended. Commands in the order in which they work."""
    name = str(revision.id)
    cure = f"Put it back from a copy (docs/backup.md). Without one: `snowtally withdraw SETTINGS {name} --reason TEXT`"
    if revision.id in look.gone:
        return f"{cure}. Remove nothing."
    return f"{cure}, then `snowtally rerun SETTINGS --date {revision.date} --reason TEXT`. Remove nothing."


# --- the rest ---------------------------------------------------------------------------------------------------------


def _decisions(look: _Look) -> None:
    path = look.folder / "decisions.jsonl"
    try:
        decided = decisions(look.root, look.basin)
    except RecordError as trouble:
        look.wrong(path, trouble.what, _COPY)
        return
    named = [("withdraws", revision) for revision in decided.withdrawn]
    named += [
        ("makes current", RevisionId(date, one.revision)) for date, made in decided.made_current.items() for one in made
    ]
    for what, revision in named:
        held = {r.id for r in revisions(look.root, look.basin, revision.date)}
        if revision not in held and revision not in look.lost_known:
            look.wrong(path, f"{what} {revision}, which is not there", "Put the revision back from a copy.")
    # A first decision that found no room leaves an empty file.
    if path.exists() and (data := path.read_bytes()) and not data.endswith(b"\n"):
        look.wrong(path, "ends in a decision that was cut off and does not count", "Decide again; that mends it.")


def _archived_inputs(look: _Look) -> None:
    """Read the archived inputs that revisions name and were not read yet."""
    folder = inputs_folder(look.root, look.basin)
    unread = {sha256: whose for sha256, whose in look.named.items() if sha256 not in look.read}
    look.read |= unread.keys()
    for sha256, whose in unread.items():
        try:
            if (folder / f"{sha256}.nc").exists():
                read_grids(folder, sha256)
                look.inputs.add(f"{sha256}.nc")
            else:
                read_rows(folder, sha256)
                look.inputs |= {f"{sha256}.json", *(f"{month}.csv.gz" for month in archived_months(folder, sha256))}
        except ArchiveError as trouble:
            look.inputs_broken = True
            what = f"holds no sound {whose}: {trouble}"
            look.wrong(folder, what, "Put the file back from a copy; until then the revision cannot be made again.")


def _inputs_left(look: _Look) -> list[str]:
    """Return the archived inputs that no revision names. Empty where a listing that cannot be read may name any."""
    folder = inputs_folder(look.root, look.basin)
    if not folder.is_dir():
        return []
    unnamed = []
    for path in sorted(folder.iterdir()):
        look.files += 1
        look.bytes += path.stat().st_size
        if not is_input(path.name):
            look.wrong(path, "does not belong here", _STRAY)
        elif path.name not in look.inputs and not look.inputs_broken:
            unnamed.append(str(path.relative_to(look.root)))
    return unnamed


def _derived(look: _Look, dates: list[dt.date]) -> list[Trouble]:
    """Return what is derived and does not say what the revisions say."""
    try:
        should = derive(look.root, look.basin, None, dates)
    except ArchiveError:
        # From decisions that cannot be read nothing can be derived; they are told already.
        return []
    behind = [
        look.trouble(look.folder / name, "does not say what the revisions say", _REBUILD)
        for name, table in (("index.parquet", should.index), ("totals.parquet", should.totals))
        if not _same_table(look.folder / name, table)
    ]
    small = dict(should.small)
    if (look.root / "catalog.json").exists() or (look.folder / "collection.json").exists():
        small[look.root / "catalog.json"] = root_catalogue(look.root)
    for path, data in small.items():
        try:
            what = "" if path.read_bytes() == data else "does not say what the revisions say"
        except FileNotFoundError:
            what = "is missing"
        except OSError as trouble:
            what = f"cannot be read ({trouble.strerror})"
        if what:
            behind.append(look.trouble(path, what, _REBUILD))
    return behind


def _same_table(path: Path, should: pa.Table) -> bool:
    """Return whether a derived table says what it should. What a newer program added to it is not ours to judge."""
    try:
        return read_arrow(path).select(should.schema.names).equals(should)
    except (OSError, ValueError, KeyError):
        return False


def _strays(look: _Look, dates: list[dt.date]) -> list[Trouble]:
    """Return what is not the archive's, and what nights left.

    Looked into are the basin's and the archive's folder.
    """
    known = {
        "inputs",
        "latest.json",
        "index.parquet",
        "totals.parquet",
        "decisions.jsonl",
        "collection.json",
        "season.html",
        ATTEMPTS,
        SECOND_LOOK,
    }
    known |= {date.isoformat() for date in dates}
    inside = [
        path
        for path in sorted(look.folder.iterdir())
        if path.name not in known and not re.fullmatch(r"\d{4}(-\d{4})?\.json", path.name)
    ]
    strays = [look.trouble(path, "does not belong here", _STRAY) for path in (*inside, *_outside(look.root))]
    cure = f"The next night clears it away. {_REBUILD}"
    left = left_behind(look.root, look.basin)
    return [*strays, *(look.trouble(folder, "was left by a night that was cut off", cure) for folder in left)]


def _outside(root: Path) -> Iterator[Path]:
    """Yield the files in the archive's folder that are not its own. Folders are basins."""
    known = {"archive.json", "catalog.json", "index.html"}
    yield from (path for path in sorted(root.iterdir()) if path.is_file() and path.name not in known)
