"""VOL-12: a survey of the last days of a month is filed as the first of the next; the archive keeps both days."""

import json
from pathlib import Path

import pandas as pd
from made_basin import snowtally

from snowtally.publishing.archived_inputs import read_archived


def test_a_survey_counts_on_its_true_day_and_keeps_its_nominal_one(basin):
    courses = pd.read_csv(basin / "courses.csv").assign(date="2031-03-05", nominal_date="2031-03-08")
    courses.to_csv(basin / "nominal.csv", index=False)
    settings = basin / "nominal.yaml"
    text = (
        (basin / "basin.yaml")
        .read_text()
        .replace("courses.csv", "nominal.csv")
        .replace("archive: archive", "archive: kept")
    )
    settings.write_text(text)

    def published(date):
        done = snowtally("update", settings, "--date", date, "--json")
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)["path"]

    true_day = published("2031-03-05")
    assert "2031-03-05" in true_day
    sites = pd.read_csv(f"{true_day}/sites.csv").set_index("site_id")
    assert sites.loc["S0", "age_days"] == 0
    assert sites.loc["S0", "reason"] == "surveyed 2031-03-05 for 2031-03-08"
    # The day before knows nothing of it, whatever day it is filed under.
    before = pd.read_csv(f"{published('2031-03-04')}/sites.csv").set_index("site_id")
    assert not before.loc["S0", "used"]
    record = json.loads((Path(true_day) / "record.json").read_text())
    kept = {"courses": record["kept_inputs"]["courses"]}
    rows = read_archived(basin / "kept", "made", kept)[0]["courses"].query("site_id == 'S0'")
    assert set(rows["date"].astype(str).str[:10]) == {"2031-03-05"}
    assert set(rows["nominal_date"].astype(str).str[:10]) == {"2031-03-08"}
