"""The schedule in fast time: its hours, what it makes up for, and what it does where the engine cannot start."""

import datetime as dt
import os
import signal
import subprocess
import sys

import pytest
from run_log import read_log

from snowtally.cli.main import main
from snowtally.flows import schedule
from snowtally.flows.schedule import serve, served, start_flow
from snowtally.model.problems import SettingsError
from snowtally.operations.arrival import Clock
from snowtally.operations.due import due_dates
from snowtally.operations.night import NightResult
from snowtally.settings.basin import read_settings


class FastMonth:
    """A clock that is there at once, and a night that holds its dates without an estimate."""

    def __init__(self, settings, begun):
        self.settings, self.time, self.nights = settings, begun.timestamp(), []
        self.clock = Clock(lambda: self.time, self.sleep)

    def sleep(self, seconds):
        self.time += seconds

    def start(self, files, instant, _run_id):
        dates = due_dates(self.settings, instant)
        for date in dates:
            folder = self.settings.path(self.settings.archive) / "made" / str(date) / "r001"
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "record.json").touch()
        self.nights.append((instant, [date.day for date in dates]))
        return [NightResult(file, "made", str(date), state="done") for file in files for date in dates]

    def serve(self, basins, until):
        told = []
        serve(basins, self.start, self.clock, told.append, until.timestamp())
        return told


def at(day, hour, minute=0):
    return dt.datetime(2031, 3, day, hour, minute, tzinfo=dt.UTC)


@pytest.fixture
def month(settings):
    return FastMonth(settings, at(2, 0))


def test_every_night_at_its_hour_of_standard_time(home, month):
    month.serve(served([home / "basin.yaml"], "05:30"), at(9, 0))
    # The start made up for the night of the first, whose hour was 07:30Z on the first.
    assert [(instant.day, instant.hour, instant.minute) for instant, _ in month.nights[1:]] == [
        (n, 7, 30) for n in range(2, 9)
    ]
    assert [dates for _, dates in month.nights[1:]] == [[n] for n in range(1, 8)]


def test_nights_of_a_machine_that_was_off_are_made_up_for_at_the_start(home, month):
    basins = served([home / "basin.yaml"], None)
    month.serve(basins, at(4, 12))
    month.time, month.nights = at(9, 3).timestamp(), []
    told = month.serve(basins, at(9, 12))
    assert [dates for _, dates in month.nights] == [[4, 5, 6, 7], [8]]
    assert told[0] == "making up for missed nights of made"


def test_a_machine_that_slept_through_several_starts_runs_them_as_one_night(home, month):
    slept = iter([0, 4 * 86400.0])

    def sleep(seconds):
        month.time += max(seconds, next(slept, 0))

    month.clock = Clock(lambda: month.time, sleep)
    month.serve(served([home / "basin.yaml"], None), at(8, 0))
    assert sorted({day for _, dates in month.nights for day in dates if day < 20}) == [1, 2, 3, 4, 5, 6]


def test_an_hour_that_is_none_is_one_line(home, monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["snowtally", "schedule", str(home / "basin.yaml"), "--at", "half past five"])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code == 2
    assert (
        capsys.readouterr().err
        == "snowtally: --at: 'half past five' is not an hour and minute such as \"05:30\", in quotation marks\n"
    )


def test_wrong_settings_are_told_at_the_start_and_keep_no_other_basin_from_its_nights(home, month):
    wrong = home / "wrong.yaml"
    wrong.write_text((home / "basin.yaml").read_text() + "bandz: {}\n")
    with pytest.raises(SettingsError, match="unknown key bandz"):
        served([wrong], None)
    asked = []

    def start(files, instant, run_id):
        asked.append([os.path.basename(file) for file in files])  # noqa: PTH119  a name, no path
        if len(asked) == 3:
            wrong.write_text((home / "basin.yaml").read_text())
        return month.start(files, instant, run_id)

    told = []
    serve(served([home / "basin.yaml", wrong], None), start, month.clock, told.append, at(6, 0).timestamp())
    assert told[0].startswith(f"{wrong}: settings wrong.yaml: unknown key bandz")
    # At once for the night of the first, then on the second and third; mended then, from the fourth on with the other.
    assert asked == [["basin.yaml"]] * 3 + [["basin.yaml", "wrong.yaml"]] * 2


def test_settings_spoilt_while_the_schedule_runs_end_neither_it_nor_the_other_basin(home, month):
    (home / "other.yaml").write_text((home / "basin.yaml").read_text())
    asked = []

    def start(files, instant, run_id):
        asked.append(len(files))
        (home / "other.yaml").write_text("basin: {")
        return month.start(files, instant, run_id)

    told = []
    serve(
        served([home / "other.yaml", home / "basin.yaml"], None), start, month.clock, told.append, at(5, 0).timestamp()
    )
    # Both stay on the schedule, so that the night's result tells which one failed.
    assert asked == [1, 1, 2, 2, 2]
    assert sum("is not valid YAML" in line for line in told) == 3


def test_an_hour_that_is_moved_while_the_schedule_runs_counts_and_loses_no_night(home, month):
    text, file = (home / "basin.yaml").read_text(), home / "basin.yaml"
    hours = iter(["04:00", "05:30", "06:00", "04:00", "04:00"])

    def start(files, instant, run_id):
        file.write_text(text.replace("operations: {", f'operations: {{schedule: {{at: "{next(hours)}"}}, '))
        return month.start(files, instant, run_id)

    serve(served([file], None), start, month.clock, print, at(6, 0).timestamp())
    # An hour that was waited for is kept once; the next is by what the settings say then. 04:00 is 06:00 in UTC.
    assert [(instant.day, instant.hour, instant.minute) for instant, _ in month.nights[1:]] == [
        (2, 7, 30), (3, 7, 30), (4, 7, 30), (5, 6, 0),
    ]  # fmt: skip
    assert [dates for _, dates in month.nights[1:]] == [[1], [2], [3], [4]]


def test_a_night_that_cannot_be_started_is_told_and_the_next_one_comes(home, month):
    def start(_files, _instant, _run_id):
        raise BlockingIOError(11, "Resource temporarily unavailable")

    told = []
    serve(served([home / "basin.yaml"], None), start, month.clock, told.append, at(4, 0).timestamp())
    assert sum("failed: Resource temporarily unavailable" in line for line in told) == 3


def test_an_archive_that_cannot_be_looked_at_is_no_end_of_the_schedule(home, month):
    (home / "archive" / "made").mkdir(parents=True)
    (home / "archive" / "made" / "2031-02-28").write_text("a file in the way")
    told = []
    serve(served([home / "basin.yaml"], None), lambda *_words: [], month.clock, told.append, at(3, 0).timestamp())
    assert [line[:24] for line in told if line.startswith("next")] == ["next night at 2031-03-02"]
    assert told[0].startswith("making up")


def test_no_readable_settings_at_night_are_each_basins_failure(home, monkeypatch):
    (home / "basin.yaml").write_text("basin: {")
    monkeypatch.setattr(schedule.sys, "executable", "/bin/false")
    results = start_flow([str(home / "basin.yaml"), str(home / "gone.yaml")], at(6, 8), "id")
    assert [one.state for one in results] == ["failed", "failed"]
    assert "is not valid YAML" in results[0].message


def test_an_engine_that_hangs_does_not_end_all_later_nights(home, settings, monkeypatch, tmp_path):
    hangs = tmp_path / "hangs"
    hangs.write_text("#!/bin/sh\nexec sleep 600\n")
    hangs.chmod(0o755)
    monkeypatch.setattr(schedule.sys, "executable", str(hangs))
    monkeypatch.setattr(schedule, "LOOK_S", 0.01)
    monkeypatch.setattr(schedule, "ENGINE_S", -1.9)
    monkeypatch.setattr(schedule, "run_once", lambda job: NightResult(job.settings, "made", job.date, state="done"))
    (home / "basin.yaml").write_text(
        (home / "basin.yaml").read_text().replace("operations: {", "operations: {limits: {night_s: 0.5}, ")
    )
    assert [one.state for one in start_flow([str(home / "basin.yaml")], at(6, 8), "id")] == ["done"]
    engine = [line["message"] for line in read_log(settings.archive_root) if line["event"] == "engine"]
    assert engine == [
        "the flow gave no result (it did nothing for 0.1 s and was stopped): the night is run without Prefect"
    ]


def test_a_night_that_the_engine_cannot_run_is_run_without_it(home, settings, monkeypatch):
    monkeypatch.setenv("PREFECT_API_URL", "http://127.0.0.1:9/api")
    monkeypatch.setattr(schedule.sys, "executable", "/bin/false")
    asked = []

    def run_once(job):
        asked.append(job.date)
        return NightResult(job.settings, "made", job.date, job.run_id, passing=True, message="no disk")

    monkeypatch.setattr(schedule, "run_once", run_once)
    results = start_flow([str(home / "basin.yaml")], at(6, 8), "id")
    assert [(one.state, one.message) for one in results] == [("failed", "no disk")]
    # A second try is the engine's: without it the next start makes up for the date.
    assert asked == ["2031-03-05"]
    server, engine = (line["message"] for line in read_log(settings.archive_root) if line["event"] == "engine")
    assert server == "the server does not answer: the night is run on the embedded one"
    assert "the night is run without Prefect" in engine
    assert os.environ["PREFECT_API_URL"], "tomorrow it may answer"


def test_the_schedule_ends_quietly_when_it_is_stopped(home, settings):
    for back in range(1, 4):
        date = dt.datetime.now(dt.UTC).date() - dt.timedelta(days=back)
        folder = settings.archive_root / "made" / str(date) / "r001"
        folder.mkdir(parents=True)
        (folder / "record.json").touch()
    code = "from snowtally.cli.main import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "schedule", str(home / "basin.yaml"), "--at", _in_an_hour()],
        stderr=subprocess.PIPE,
        text=True,
    )
    lines = []
    while not any("next night at" in line for line in lines):
        lines.append(process.stderr.readline())
        assert lines[-1], lines
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate()
    assert process.returncode == 143
    assert "stopped by SIGTERM" in err
    assert "Traceback" not in err


def _in_an_hour():
    """Return an hour of the basin's clock that is not now."""
    return f"{dt.datetime.now(dt.timezone(dt.timedelta(hours=-1))):%H:%M}"


def test_settings_name_the_hour(home):
    text = (home / "basin.yaml").read_text().replace("operations: {", 'operations: {schedule: {at: "04:15"}, ')
    (home / "basin.yaml").write_text(text)
    assert served([home / "basin.yaml"], None)[0].at == dt.time(4, 15)
    (home / "basin.yaml").write_text(text.replace('"04:15"', "04:15"))
    assert read_settings(home / "basin.yaml").operations.schedule.at == "04:15"
