"""Reports of what became of a night: a line in the log, and a message to people where there is something to say."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from snowtally.model.problems import SnowtallyError
from snowtally.model.reasons import Reason, in_words, several_files
from snowtally.operations.alerts import send
from snowtally.operations.joblog import JobLog
from snowtally.operations.late import Damage, LateDate
from snowtally.operations.night import NightResult, State
from snowtally.operations.sent_once import SentOnce
from snowtally.settings.basin import Settings, read_settings
from snowtally.settings.operations import Alert


def report_night(result: NightResult) -> None:
    """Log a night's result and send it where the settings want it. Never raises: the night is over either way."""
    settings = _settings(result.settings)
    if settings is None:
        return
    log = JobLog(settings.archive_root, result.run_id)
    facts = {name: value for name, value in result.plain().items() if name not in ("run_id", "settings", "passing")}
    _write(log, "night", facts)
    alerts = settings.operations.alerts
    alert = {State.FAILED: alerts.on_failure, State.DEGRADED: alerts.on_degraded}.get(result.state)
    # What was published before has been reported before.
    if not result.unchanged:
        _alert(log, alert, {"event": "night", "title": settings.basin.title, **result.plain()})


def report_crash(settings_file: str, run_id: str, note: dict[str, Any]) -> None:
    """Report that an earlier run was killed during a night."""
    settings = _settings(settings_file)
    if settings is None:
        return
    message = f"run {note['run_id']} was killed while it estimated {note['date']}; the date is run again where nothing was published"
    facts = {"basin": note["basin"], "date": note["date"], "state": "crashed", "message": message}
    log = JobLog(settings.archive_root, run_id)
    _write(log, "crashed", facts | {"crashed_run_id": note["run_id"]})
    _alert(log, settings.operations.alerts.on_failure, {"event": "crashed", "run_id": run_id, **facts})


def report_put_off(settings_file: str, run_id: str, trouble: str) -> None:
    """Log why late inputs could not be looked for."""
    settings = _settings(settings_file)
    if settings is not None:
        facts = {"basin": settings.basin.id, "state": "put off", "message": trouble}
        _write(JobLog(settings.archive_root, run_id), "watch", facts)


def report_late(settings_file: str, run_id: str, late: list[LateDate]) -> None:
    """Report the dates whose inputs changed after they were estimated.

    People get a message where the dates are not run again by themselves.
    """
    settings = _settings(settings_file)
    if settings is None:
        return
    for one in late:
        _write(JobLog(settings.archive_root, run_id), "late", {"basin": settings.basin.id, **_plain(one)})
    if not settings.operations.schedule.rerun_late:
        _alert_late(
            settings, run_id, late, "inputs of {dates} came late or changed; `snowtally rerun` estimates them again"
        )


def report_damaged(settings_file: str, run_id: str, damaged: list[Damage]) -> None:
    """Report inputs that were read and are damaged now.

    A rerun of their dates helps nobody.
    """
    settings = _settings(settings_file)
    if settings is None:
        return
    for one in damaged:
        _write(JobLog(settings.archive_root, run_id), "damaged", {"basin": settings.basin.id, **_plain(one)})
    files = sorted({one.file or one.table for one in damaged})
    dates = sorted({str(one.date) for one in damaged})
    lost = in_words(Reason(one.file, one.what) for one in reversed(damaged))
    more = f" (and {len(lost) - MOST_LOSSES_NAMED} more)" if len(lost) > MOST_LOSSES_NAMED else ""
    message = (
        f"input damaged: {', '.join(files) if len(files) <= MOST_LOSSES_NAMED else several_files(files)}, read for {', '.join(dates)} and not whole any more. {'; '.join(lost[:MOST_LOSSES_NAMED])}{more}. "
        "What was published stays as it is: mend the input, and do not rerun these dates before"
    )
    facts: dict[str, Any] = {"event": "input damaged", "basin": settings.basin.id, "run_id": run_id, "message": message}
    facts |= {"files": files, "damaged": [_plain(one) for one in damaged]}
    said = {json.dumps([one.table, one.file, one.site_id, one.rule]) for one in damaged}
    _alert_once(settings, "damaged", said, facts)


MOST_LOSSES_NAMED = 5
"""So many losses are told in the words of an alert; all of them stand beside."""


def report_left(settings_file: str, run_id: str, left: list[LateDate]) -> None:
    """Report dates with changed inputs that no night runs again.

    They were published by hand.
    """
    settings = _settings(settings_file)
    if settings is not None and settings.operations.schedule.rerun_late:
        words = "inputs of {dates} came late or changed, and what was published by hand stands; `snowtally rerun` estimates them again"
        _alert_late(settings, run_id, left, words)


def _alert_late(settings: Settings, run_id: str, late: list[LateDate], words: str) -> None:
    message = words.format(dates=", ".join(str(one.date) for one in late))
    facts: dict[str, Any] = {"event": "late", "basin": settings.basin.id, "run_id": run_id, "message": message}
    facts["dates"] = [_plain(one) for one in late]
    _alert_once(settings, "late", {json.dumps([str(one.date), one.revision, one.reason]) for one in late}, facts)


def _alert_once(settings: Settings, event: str, said: set[str], facts: dict[str, Any]) -> None:
    """Send an alert unless all of it was sent before.

    What could not be sent is sent the next time.
    """
    once = SentOnce(settings.archive_root, settings.basin.id, event)
    alert = settings.operations.alerts.on_degraded
    if not once.is_new(said) or _alert(JobLog(settings.archive_root, facts["run_id"]), alert, facts):
        once.remember(said)


def _plain(one: LateDate | Damage) -> dict[str, Any]:
    return asdict(one) | {"date": str(one.date)}


def _settings(settings_file: str) -> Settings | None:
    """Return the settings; None where they cannot be used."""
    try:
        return read_settings(Path(settings_file))
    except (SnowtallyError, OSError):
        return None


def _alert(log: JobLog, alert: Alert | None, message: dict[str, Any]) -> bool:
    """Send a message and return whether it was sent.

    Where there is no alert, nobody wants it.
    """
    if alert is None:
        return False
    trouble = send(alert, message)
    way = "command" if alert.command else "webhook"
    _write(
        log,
        "alert",
        {"basin": message.get("basin"), "state": "failed" if trouble else "sent", "way": way, "message": trouble},
    )
    return not trouble


def _write(log: JobLog, event: str, facts: dict[str, Any]) -> None:
    try:
        log.write(event, **facts)
    except SnowtallyError:
        # A full disk must not keep the message from people.
        return
