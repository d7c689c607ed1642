"""What the command line tells of a night: what was used, what degrades it, and where there would be none."""

import json

import pytest
from made_basin import changed, snowtally


def words(done):
    return " ".join(done.stdout.split())


def test_the_table_counts_every_finding_that_set_something_aside(basin):
    courses = (basin / "courses.csv").read_text()
    (basin / "twice.csv").write_text(courses + courses.splitlines()[-1] + "\n")
    file = changed(basin, "twice", lambda text: text.replace("courses.csv", "twice.csv"))
    done = snowtally("update", file, "--date", "2031-03-03")
    assert done.returncode == 0, done.stderr
    assert "1 x duplicate S4 (set aside)" in words(done)
    (row,) = (line for line in done.stdout.splitlines() if "visits this season" in line)
    assert [cell.strip() for cell in row.strip("│ ").split("│")] == ["courses", "3 visits this season", "1"]
    assert "No melt outlook: the settings name no weather table (inputs.weather)" in words(done)


def test_check_refuses_a_day_before_the_inputs_as_update_does(basin):
    for command in ("check", "update"):
        done = snowtally(command, basin / "basin.yaml", "--date", "2030-12-01")
        assert done.returncode == 1
        assert "2030-12-01 lies before the first measurement. The inputs cover 2031-03-01 to" in done.stderr


@pytest.mark.parametrize("command", ["update", "check", "plan"])
def test_an_empty_date_is_no_date(basin, command):
    done = snowtally(command, basin / "basin.yaml", "--date", "")
    assert done.returncode == 2
    assert "--date '' is not a date" in done.stderr


def test_one_remedy_of_many_silent_stations_is_told_once(basin):
    done = snowtally("check", basin / "basin.yaml", "--date", "2031-03-25")
    assert done.returncode == 3
    (line,) = (line for line in done.stdout.split("\n\n")[-1:] if "would be degraded" in line)
    told = " ".join(line.split()).split("would be degraded: ")[1]
    assert told.startswith("silent station S1 (")
    assert all(site in told for site in ("S3", "S5"))
    assert told.count("check the station and its telemetry") == 1
    sound = json.loads(snowtally("check", basin / "basin.yaml", "--date", "2031-03-05", "--json").stdout)
    assert (sound["no_estimate"], sound["degraded"]) == ("", [])


@pytest.mark.parametrize(
    ("use", "told"),
    [
        (("update", "basin.yaml", "--dat", "2031-03-01"), "No such option: --dat"),
        (("update",), "Missing argument 'SETTINGS'"),
        (("updat",), "No such command 'updat'"),
        (("plan", "basin.yaml", "--count", "99"), "Invalid value for '--count'"),
    ],
)
def test_wrong_use_is_one_line_and_an_object_for_machines(use, told):
    plain = snowtally(*use)
    assert (plain.returncode, plain.stdout) == (2, "")
    assert plain.stderr.startswith(f"snowtally: {told}")
    assert plain.stderr.count("\n") == 1
    done = snowtally(*use, "--json")
    assert done.returncode == 2
    content = json.loads(done.stdout)
    assert content["exit_status"] == 2
    assert content["error"].startswith(told)
    assert done.stderr.count("\n") == 1


def test_report_says_once_which_date_it_takes():
    told = " ".join(snowtally("report", "--help").stdout.replace("│", " ").split())
    assert told.count("efault: ") == 1
    assert "Default: the newest with a current revision." in told
