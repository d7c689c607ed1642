"""Nights of several basins: what is due, what is made up for, what came late, and who is told."""

import datetime as dt
import json
import sys
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, HTTPServer
from threading import Thread

import pytest
from run_log import read_log

from snowtally.model.problems import StillArrivingError
from snowtally.operations import nights, run
from snowtally.operations.alerts import send
from snowtally.operations.due import due_dates, last_start, missed_dates, next_start
from snowtally.operations.joblog import JobLog
from snowtally.operations.late import Changed, LateDate, changed_dates
from snowtally.operations.night import Job, NightResult, run_night
from snowtally.operations.nights import exit_status, night_of, run_once, summary, watch
from snowtally.operations.notes import crashed_nights, noted
from snowtally.publishing.attempts import failed_attempts
from snowtally.reading import load_record, read_record, revisions
from snowtally.settings.basin import read_settings
from snowtally.settings.operations import Alert


def quiet(_stage):
    pass


def here(job):
    """Run a date in this process: its imports are paid for once."""
    return run_night(job)


def morning(day):
    return dt.datetime(2031, 3, day, 7, 30, tzinfo=dt.UTC)


def with_operations(home, name, operations):
    text = (home / "basin.yaml").read_text().rpartition("operations:")[0]
    file = home / f"{name}.yaml"
    file.write_text(
        text.replace("archive: archive", f"archive: archive_{name}") + f"operations: {json.dumps(operations)}\n"
    )
    return file


QUICK = {"arrival": {"quiet_s": 0.01, "wait_s": 0}}


def hold(settings, *days):
    """Put dates into the archive that only count as held."""
    for day in days:
        folder = settings.archive_root / "made" / f"2031-03-{day:02d}" / "r001"
        folder.mkdir(parents=True)
        (folder / "record.json").touch()


def publish(settings, *days):
    for day in days:
        run.update(settings, dt.date(2031, 3, day), quiet)


def test_a_new_archive_owes_yesterday_alone(settings):
    assert due_dates(settings, morning(8)) == [dt.date(2031, 3, 7)]


def test_missed_nights_are_due_oldest_first_within_the_bound_and_not_before_the_archive(settings):
    hold(settings, 3, 5)
    assert [date.day for date in due_dates(settings, morning(8))] == [4, 6, 7]
    assert [date.day for date in missed_dates(settings, morning(12))] == [6, 7, 8, 9, 10, 11], (
        "a week back, not the fourth"
    )
    assert due_dates(settings, morning(6)) == [dt.date(2031, 3, 4), dt.date(2031, 3, 5)], "yesterday is asked again"


@pytest.mark.parametrize(("offset", "hour"), [(-2, 7), (12, 17), (-9.5, 15)])
def test_the_hour_is_the_basins_standard_time(settings, offset, hour):
    moved = settings.model_copy(update={"basin": settings.basin.model_copy(update={"utc_offset_hours": offset})})
    start = next_start(moved, dt.time(5, 30), dt.datetime(2031, 7, 1, tzinfo=dt.UTC))
    assert start.time() == (dt.datetime(2031, 1, 1, hour, 30) - dt.timedelta(minutes=30 * (offset % 1 != 0))).time()  # noqa: DTZ001
    assert next_start(moved, dt.time(5, 30), start) - start == dt.timedelta(days=1)
    assert last_start(moved, dt.time(5, 30), start) == start


def test_one_basins_failure_hides_no_others_success(home, settings):
    wrong = home / "wrong.yaml"
    wrong.write_text((home / "basin.yaml").read_text() + "bandz: {}\n")
    files = [str(wrong), str(home / "basin.yaml")]
    results = night_of(files, morning(6), "id", here)
    assert [one.state for one in results] == ["failed", "done"]
    assert "unknown key bandz" in results[0].message
    assert exit_status(results) == 1
    assert "| failed |" in summary(results)
    assert {line["run_id"] for line in read_log(settings.archive_root)} == {"id"}


def test_late_rows_list_their_dates_and_no_others(home):
    file = with_operations(home, "late", QUICK | {"schedule": {"rerun_late": True}})
    settings = read_settings(file)
    publish(settings, 4, 5)
    with (home / "stations.csv").open("a") as table:
        table.write("S2,2031-03-05,1.0,1.0\nS2,2031-03-09,1.0,1.0\n")
    rows = (home / "stations.csv").read_text()
    (home / "stations.csv").write_text(rows.replace("S1,2031-03-05,", "S1,2031-03-05,1", 1))
    late = changed_dates(settings, dt.date(2031, 3, 5)).late
    assert [(one.date.day, one.revision) for one in late] == [(5, 1)]
    assert late[0].reason == "late inputs: stations changed since r001"
    results = night_of([str(file)], morning(7), "id", here)
    assert [(one.date[-1], one.revision) for one in results] == [("6", 1), ("5", 2)]
    archive = settings.archive_root
    assert read_record(archive, "made", dt.date(2031, 3, 5))["reason"] == late[0].reason
    assert changed_dates(settings, dt.date(2031, 3, 6)) == Changed()


@pytest.mark.long
def test_late_dates_are_told_when_they_are_not_run_again(home, tmp_path):
    told = tmp_path / "told"
    file = with_operations(home, "tell", QUICK | {"alerts": {"on_degraded": {"command": ["tee", str(told)]}}})
    settings = read_settings(file)
    publish(settings, 3, 4)
    with (home / "courses.csv").open("a") as table:
        table.write("S0,2031-03-02,9,100,300\n")
    # A course that came late belongs to the fourth and the third alike.
    assert len(night_of([str(file)], morning(6), "id", here)) == 1
    message = json.loads(told.read_text())
    assert message["event"] == "late"
    assert [one["date"] for one in message["dates"]] == ["2031-03-03", "2031-03-04"]
    assert "courses changed" in message["dates"][0]["reason"]
    told.unlink()
    watch(str(file), dt.date(2031, 3, 4), "id", here)
    assert not told.exists(), "the same is told once"


@pytest.mark.parametrize(
    "case",
    [
        (True, "stations.csv", None, "missing file"),
        pytest.param(
            (False, "courses.csv", lambda text: text.rstrip().rpartition("\n")[0] + "\n", "1 of 6 values of 2031-03-04@1"),
            marks=pytest.mark.long,
        ),
    ],
)  # fmt: skip
def test_a_damaged_input_is_told_once_and_nothing_is_rerun(home, tmp_path, case):
    rerun_late, name, harm, lost = case
    told = tmp_path / "told"
    operations = {"alerts": {"on_degraded": {"command": ["tee", str(told)]}}, "schedule": {"rerun_late": rerun_late}}
    file = with_operations(home, "damage", QUICK | operations)
    settings = read_settings(file)
    publish(settings, 4)
    text, run_ = (home / name).read_text(), []

    def night(job):
        run_.append(job.date)
        return done(job)

    def look():
        told.unlink(missing_ok=True)
        watch(str(file), dt.date(2031, 3, 4), "id", night)
        return json.loads(told.read_text()) if told.exists() else None

    (home / name).unlink() if harm is None else (home / name).write_text(harm(text))
    message = look()
    assert message["event"] == "input damaged"
    assert message["files"] == [name]
    assert lost in message["message"]
    assert run_ == []
    assert "rerun" not in message["message"].replace("do not rerun", "")
    assert look() is None, "the same is told once"
    assert [line["event"] for line in read_log(settings.archive_root)].count("damaged") >= 2, (
        "the log tells it each time"
    )
    (home / name).write_text(text)
    assert look() is None
    (home / name).unlink() if harm is None else (home / name).write_text(harm(text))
    assert look()["event"] == "input damaged", "what was over and comes back is told again"
    assert run_ == []


def test_what_degraded_a_date_before_is_no_new_damage_though_its_figures_change(home):
    settings = read_settings(with_operations(home, "before", QUICK))
    with (home / "courses.csv").open("a") as courses:
        courses.write("S0,soon,1,100,300\n" * 5)
    publish(settings, 4)
    before = read_record(settings.archive_root, "made", "2031-03-04")["degraded_reasons"]
    with (home / "courses.csv").open("a") as courses:
        courses.write("S0,soon,1,100,300\nS0,2031-03-03,1,40,120\n")
    now = run.read_inputs(settings, dt.date(2031, 3, 4), quiet)
    assert (len(before), now.degraded != before) == (1, True)
    changed = changed_dates(settings, dt.date(2031, 3, 4))
    assert ([one.date.day for one in changed.late], changed.damaged) == ([4], [])


def test_what_is_still_arriving_puts_the_watch_off(home):
    settings = read_settings(with_operations(home, "off", {"arrival": {"quiet_s": 3600, "wait_s": 0}}))
    hold(settings, 3)
    with pytest.raises(StillArrivingError, match="still being written"):
        changed_dates(settings, dt.date(2031, 3, 3))


def test_bad_input_fails_the_night_at_once_and_is_told_without_a_secret(home, monkeypatch):
    heard = []

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self):
            heard.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(500)
            self.end_headers()

        def log_message(self, *_words):
            pass

    server = HTTPServer(("127.0.0.1", 0), Hook)
    Thread(target=server.handle_request, daemon=True).start()
    monkeypatch.setenv("HOOK", f"http://127.0.0.1:{server.server_port}/a-secret-token")
    file = with_operations(home, "bad", QUICK | {"alerts": {"on_failure": {"webhook_from": "HOOK"}}})
    (home / "sites.csv").write_text("nonsense\n")
    results = night_of([str(file)], morning(6), "id", here)
    server.server_close()
    assert [(one.state, one.passing) for one in results] == [("failed", False)]
    assert "sites.csv" in heard[0]["message"]
    assert heard[0]["run_id"] == "id"
    archive = read_settings(file).path(read_settings(file).archive)
    text = (archive / ".operations" / "log.jsonl").read_text()
    assert "a-secret-token" not in text
    assert "the address answered with status 500" in text


def test_an_alerts_address_is_not_in_the_record(home):
    file = with_operations(home, "secret", QUICK | {"alerts": {"on_failure": {"webhook": "https://example.org/token"}}})
    settings = read_settings(file)
    outcome = run.update(settings, dt.date(2031, 3, 5), quiet)
    assert "token" not in (outcome.published.path / "record.json").read_text()
    assert settings.identity() == read_settings(home / "basin.yaml").identity()


def test_a_killed_night_is_told_once_by_the_next_start(settings):
    archive = settings.archive_root
    with noted(archive, "living", {"basin": "made", "date": "2031-03-04"}):
        note = next((archive / ".operations" / "runs").glob("*.json"))
        dead = json.loads(note.read_text()) | {"run_id": "dead"}
        dead["process"]["started"] = "1"
        (note.parent / "dead.made.2031-03-05.json").write_text(json.dumps(dead))
        assert [one["run_id"] for one in crashed_nights(archive)] == ["dead"]
        assert crashed_nights(archive) == []
    assert not list((archive / ".operations" / "runs").glob("*.json"))


def test_a_jump_is_published_marked_and_told_like_a_degraded_night(home, settings, tmp_path):
    told = tmp_path / "told"
    file = with_operations(home, "jump", QUICK | {
        "alerts": {"on_degraded": {"command": [sys.executable, "-c", f"import sys; open({str(told)!r}, 'w').write(sys.stdin.read())"]}},
        "gate": {"most_se": 0.01},
    })  # fmt: skip
    settings = read_settings(file)
    publish(settings, 1)
    results = night_of([str(file)], morning(3), "id", here)
    assert [one.state for one in results] == ["degraded"]
    assert results[0].second_look.startswith("jump of the total")
    assert json.loads(told.read_text())["second_look"] == results[0].second_look
    record = load_record(revisions(settings.archive_root, "made", dt.date(2031, 3, 2))[0].path)
    assert not record["degraded"], "a day's own numbers depend on inputs alone"
    from snowtally.inspection.status import status  # noqa: PLC0415
    from snowtally.inspection.verify import verify  # noqa: PLC0415

    archive = settings.archive_root
    assert list(status(archive, "made", dt.date(2031, 3, 3), "10-01").second_look) == [dt.date(2031, 3, 2)]
    assert not verify(archive, "made", quiet).troubles


def test_trouble_outside_is_tried_again_and_bad_input_is_not(home, settings, monkeypatch):
    def broken(*_words, **_more):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(run, "read_inputs", broken)
    result = run_night(Job(str(home / "basin.yaml"), "2031-03-05", "id"))
    assert (result.state, result.passing) == ("failed", True)
    assert "Input/output error" in result.message
    assert failed_attempts(settings.archive_root, "made") == {}, "no basin in the archive yet"


def test_a_line_of_the_log_holds_what_there_is_to_say_whatever_bytes_a_name_has(tmp_path):
    JobLog(tmp_path, "id").write("night", basin="a", message="", path="course_\udce9.csv")
    assert [sorted(line) for line in read_log(tmp_path)] == [["basin", "event", "path", "run_id", "time"]]


def done(job):
    return NightResult(job.settings, "made", job.date, job.run_id, state="done")


def raising(trouble):
    def raises(*_words, **_more):
        raise trouble

    return raises


@pytest.mark.parametrize("broken", ["due_dates", "changed_dates", "crashed_nights", "report_put_off"])
def test_what_nobody_foresaw_in_one_basin_is_its_failure_and_the_next_has_its_night(
    home, tmp_path, monkeypatch, broken
):
    told = tmp_path / "told"
    files = [
        with_operations(home, name, QUICK | {"alerts": {"on_failure": {"command": ["tee", str(told)]}}})
        for name in "ab"
    ]
    hurt = read_settings(files[0]).archive_root
    whole = getattr(nights, broken)

    def only_the_first(first, *more):
        if hurt in (first, getattr(first, "archive_root", None)) or first == str(files[0]):
            raise PermissionError(13, "Permission denied", "/archive/a")
        return whole(first, *more)

    monkeypatch.setattr(nights, broken, only_the_first)
    results = night_of([str(file) for file in files], morning(6), "id", done)
    assert [one.state for one in results if one.settings == str(files[1])] == ["done"]
    failed = [one for one in results if one.state == "failed"]
    assert [(one.settings, one.basin) for one in failed] == [(str(files[0]), "made")]
    assert failed[0].message.startswith("/archive/a: Permission denied. Look at the disk")
    assert json.loads(told.read_text())["message"] == failed[0].message


def test_an_answer_that_is_none_is_told_without_the_address():
    class Odd(BaseHTTPRequestHandler):
        def do_POST(self):
            self.rfile.read(int(self.headers["Content-Length"]))
            self.wfile.write(b"200 a-secret-token\r\n\r\n")

        def log_message(self, *_words):
            pass

    server = HTTPServer(("127.0.0.1", 0), Odd)
    Thread(target=server.handle_request, daemon=True).start()
    trouble = send(Alert(webhook=f"http://127.0.0.1:{server.server_port}/"), {"event": "night"})
    server.server_close()
    assert trouble == "the address does not answer as a web address does (BadStatusLine)"
    assert send(Alert(webhook="http://a b/a-secret-token"), {}) == "the address is not a web address"
    assert send(Alert(command=["tee\0"]), {}) == "the command cannot be started: a word of it holds a zero byte"


def test_late_inputs_that_a_night_may_not_use_are_told(home, tmp_path, monkeypatch):
    told = tmp_path / "told"
    file = with_operations(home, "hand", QUICK | {
        "alerts": {"on_degraded": {"command": ["tee", str(told)]}}, "schedule": {"rerun_late": True},
    })  # fmt: skip
    late = [LateDate(dt.date(2031, 3, day), 2, "late inputs: courses came since r002") for day in (4, 5)]
    monkeypatch.setattr(nights, "changed_dates", lambda *_words: Changed(late))

    def the_fourth_stays(job):
        return replace(done(job), unchanged=job.date.endswith("04"))

    assert len(watch(str(file), dt.date(2031, 3, 6), "id", the_fourth_stays)) == 2
    message = json.loads(told.read_text())
    assert [one["date"] for one in message["dates"]] == ["2031-03-04"]
    assert message["message"].startswith(
        "inputs of 2031-03-04 came late or changed, and what was published by hand stands"
    )
    told.unlink()
    watch(str(file), dt.date(2031, 3, 6), "id", done)
    assert not told.exists(), "what is run again needs nobody"


def test_a_night_may_wait_for_inputs_and_for_another_run_before_its_own_time_begins(home, monkeypatch):
    file = with_operations(home, "wait", {"arrival": {"wait_s": 7200}, "limits": {"night_s": 3600}})
    limits = []
    monkeypatch.setattr(nights, "run_apart", lambda _job, limit_s: limits.append(limit_s))
    run_once(Job(str(file), "2031-03-05", "id"))
    assert limits == [7200 + 3600 + 3600]


def test_a_date_run_apart_never_raises(home, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(home / "state"))
    monkeypatch.setattr(nights, "run_apart", raising(ZeroDivisionError("nobody foresaw this")))
    result = run_once(Job(str(home / "basin.yaml"), "2031-03-05", "id"))
    assert (result.state, result.date) == ("failed", "2031-03-05")
    assert "ZeroDivisionError: nobody foresaw this. The details are in " in result.message
    assert (home / "state" / "snowtally" / "failures.log").exists()


def test_a_new_archive_is_not_begun_without_a_word(home, settings):
    first, second = (run_night(Job(str(home / "basin.yaml"), f"2031-03-0{day}", "id")) for day in (4, 5))
    assert (first.state, first.message) == (
        "done", f"a new archive was begun at {settings.archive_root}: if there was one before, look whether its disk is mounted",
    )  # fmt: skip
    assert (second.state, second.message) == ("done", "")


def test_a_summary_names_settings_that_could_not_be_read():
    assert "| gone.yaml |  | failed |" in summary([NightResult("gone.yaml")])


def test_settings_spoilt_meanwhile_lose_no_dates_own_result(home, monkeypatch):
    file = with_operations(home, "spoilt", {"retry": {"times": 2, "first_wait_s": 60}})

    def spoils(job, _limit_s):
        file.write_text("basin: [", "utf-8")
        return NightResult(job.settings, "made", job.date, job.run_id, state="failed", passing=True, message="no disk")

    monkeypatch.setattr(nights, "run_apart", spoils)
    assert run_once(Job(str(file), "2031-03-05", "id")).message == "no disk"
