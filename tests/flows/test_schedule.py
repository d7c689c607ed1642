"""The schedule in fast time: its hours, what it makes up for, and what it does where the engine cannot start."""

import datetime as dt
import os
import signal
import subprocess
import sys

import pytest

from flows import schedule
from flows.schedule import serve, served, start_flow
from pipeline.cli import main
from pipeline.operations.arrival import Clock
from pipeline.operations.due import due_dates
from pipeline.operations.joblog import read_log
from pipeline.operations.night import NightResult
from pipeline.problems import SettingsError
from pipeline.settings import read_settings


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


def test_wrong_settings_are_told_at_the_start_not_at_night(home):
    (home / "wrong.yaml").write_text((home / "basin.yaml").read_text() + "bandz: {}\n")
    with pytest.raises(SettingsError, match="unknown key bandz"):
        served([home / "basin.yaml", home / "wrong.yaml"], None)


def test_a_night_that_the_engine_cannot_run_is_run_without_it(home, settings, monkeypatch):
    monkeypatch.setenv("PREFECT_API_URL", "http://127.0.0.1:9/api")
    monkeypatch.setattr(schedule.sys, "executable", "/bin/false")
    asked = []

    def run_once(file, date, run_id, _why):
        asked.append(date)
        return NightResult(file, "made", date, run_id, state="done")

    monkeypatch.setattr(schedule, "run_once", run_once)
    results = start_flow([str(home / "basin.yaml")], at(6, 8), "id")
    assert [one.state for one in results] == ["done"]
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
    code = "from pipeline.cli import main; main()"
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
    assert process.returncode == 0
    assert "stopped" in err
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
