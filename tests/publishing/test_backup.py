"""Every command of docs/backup.md, as it stands there: a copy beside nights, cut off and ended, and both ways back."""

from __future__ import annotations

import contextlib
import datetime as dt
import multiprocessing
import os
import re
import shlex
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pandas as pd
import pytest
from made_basin import snowtally
from made_day import made_day
from made_provenance import make_provenance

from snowtally import reading
from snowtally.publishing.archived_inputs import archive_inputs, read_archived
from snowtally.publishing.publish import publish, withdraw

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs" / "backup.md").read_text("utf-8")
COPY, LOOK, WHOLE, ONE = re.findall(r"^```sh\n(.*?)^```$", TEXT, re.DOTALL | re.MULTILINE)
BASH = shutil.which("bash")


@pytest.fixture
def home(tmp_path):
    """A folder with an archive of two dates and the settings that the page names."""
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    (tmp_path / "sample_inputs").symlink_to(ROOT / "sample_inputs")
    (tmp_path / "bin").mkdir()
    for number, date in enumerate(("2031-04-10", "2031-04-14", "2031-04-14")):
        night(tmp_path, date, number)
    withdraw(tmp_path / "archive", "larkmoor", made_day("2031-04-14").date, 2, "wrong tare")
    return tmp_path


def tool(home, name, text):
    path = home / "bin" / name
    path.write_text(f"#!{BASH}\n{text}\n")
    path.chmod(0o755)


def night(home, date, number):
    rows = {"sites": pd.DataFrame({"site_id": ["NA"], "swe_mm": [float(number)]})}
    kept = archive_inputs(home / "archive", "larkmoor", rows, {})
    publish(
        home / "archive",
        made_day(date, height=8, width=9, extra_mm=number),
        make_provenance(f"{number:064d}", archived=kept),
    )


def begun(home, text):
    environment = {"PATH": f"{home / 'bin'}:/usr/bin:/bin", "PYTHONPATH": str(ROOT), "HOME": str(home)}
    return subprocess.Popen(
        [BASH, "-e", "-c", text], cwd=home, env=environment, text=True, start_new_session=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip


def ran(home, text):
    """Return what a block of the page says; the command of ours that ends it runs in this process, which has its imports."""
    lines = text.splitlines()
    ours = lines.pop() if lines[-1].startswith("snowtally ") else ""
    process = begun(home, "\n".join(lines))
    out, _ = process.communicate(timeout=300)
    assert process.returncode == 0, out
    if ours:
        with contextlib.chdir(home):
            done = snowtally(*shlex.split(ours)[1:])
        assert done.returncode == 0, done.stdout + done.stderr
        out += done.stdout
    return out


def files_of(root):
    """Return what the archive promises for ever: revisions, archived inputs and decisions by path."""
    found = [*root.glob("*/*/r[0-9]*/*"), *root.glob("*/inputs/*"), *root.glob("*/decisions.jsonl")]
    return {str(path.relative_to(root)): path.read_bytes() for path in found}


def slow_copies(home):
    """Make every copy wait a little, so that nights are published in between."""
    tool(home, "cp", 'sleep 0.1; exec /usr/bin/cp "$@"')


def nights_until(home, stop):
    """Publish night after night until told to stop."""
    number = 10
    while not stop.wait(0.3):
        night(home, str(dt.date(2031, 5, 1) + dt.timedelta(days=number)), number)
        number += 1


@pytest.mark.long
def test_a_copy_beside_nights_is_whole_and_cut_off_it_is_ended_by_the_next(home):
    slow_copies(home)
    # In a process of its own, as nights are: the library that writes netCDF bears one thread a process.
    spawned = multiprocessing.get_context("spawn")
    stop = spawned.Event()
    publishing = spawned.Process(target=nights_until, args=(home, stop))
    publishing.start()
    try:
        process = begun(home, COPY)
        time.sleep(1.0)
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        first = len(list((home / "backup").glob("*/*/r[0-9]*")))
        assert "sound" in ran(home, COPY + LOOK)
        # While nights go on, again: what came meanwhile comes along.
        time.sleep(1.5)
        assert "sound" in ran(home, COPY + LOOK)
    finally:
        stop.set()
        publishing.join()
    assert len(reading.list_days(home / "backup", "larkmoor")) > max(first, 2)
    assert not list((home / "backup").rglob("*.part"))
    ran(home, COPY)
    assert files_of(home / "backup") == files_of(home / "archive")
    day = reading.read_record(home / "backup", "larkmoor", "2031-04-14", 2)
    assert read_archived(home / "backup", "larkmoor", day["kept_inputs"])[0]["sites"]["swe_mm"].tolist() == [2.0]
    assert reading.current_revision(home / "backup", "larkmoor", "2031-04-14").number == 1


def test_the_whole_archive_is_brought_back_and_what_came_since_with_it(home):
    ran(home, COPY)
    night(home, "2031-04-15", 5)
    wanted = files_of(home / "archive")
    shutil.rmtree(home / "archive" / "larkmoor" / "2031-04-10")
    assert "sound" in ran(home, WHOLE)
    more = COPY.replace("from=archive to=backup", "from=archive.lost to=archive", 1)
    assert more != COPY
    assert "sound" in ran(home, more + WHOLE.splitlines()[-1])
    assert files_of(home / "archive") == wanted
    assert reading.list_days(home / "archive", "larkmoor")["date"].dt.day.tolist() == [10, 14, 15]


def test_an_archive_that_is_gone_is_brought_back(home):
    ran(home, COPY)
    wanted = files_of(home / "archive")
    shutil.rmtree(home / "archive")
    assert "sound" in ran(home, WHOLE)
    assert files_of(home / "archive") == wanted


def test_one_damaged_revision_is_brought_back(home):
    ran(home, COPY)
    wanted = files_of(home / "archive")
    revision = home / "archive" / "larkmoor" / "2031-04-14" / "r001"
    kept = reading.read_record(home / "archive", "larkmoor", "2031-04-14", 1)["kept_inputs"]["sites"]
    (revision / "swe.tif").unlink()
    (revision / "record.json").chmod(0o644)
    (revision / "record.json").write_bytes(b"")
    (home / "archive" / "larkmoor" / "inputs" / f"{kept}.json").write_text("{")
    assert "sound" in ran(home, ONE)
    assert files_of(home / "archive") == wanted
    assert (home / "damaged" / "record.json").read_bytes() == b""
