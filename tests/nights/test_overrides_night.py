"""An analyst's overrides through a whole reading of a basin's inputs: they change the day, and the day is known by them."""

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest
import yaml

from snowtally.gather.day import read_inputs
from snowtally.publishing.archived_rows import rows_sha256
from snowtally.settings.basin import read_settings

CONFIG = Path(__file__).parents[2] / "configs" / "larkmoor.yaml"
DAY = dt.date(2031, 3, 20)


@pytest.fixture(scope="module")
def readings(tmp_path_factory):
    def read(*lines):
        home = tmp_path_factory.mktemp("overridden")
        content = yaml.safe_load(CONFIG.read_text("utf-8").replace("../", f"{CONFIG.parents[1]}/"))
        content["basin"]["season_start"] = "10-01"
        content["inputs"].pop("flights")
        if lines:
            (home / "overrides.csv").write_text(
                "\n".join(["site_id,start,end,variable,action,value,who,when,why", *lines]) + "\n", encoding="utf-8"
            )
            content["inputs"]["overrides"] = "overrides.csv"
        (home / "basin.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
        return read_inputs(read_settings(home / "basin.yaml"), DAY, lambda _stage: None)

    return read


def daily(read, site):
    table = read.inputs.ground.daily
    return table[table["site_id"] == site].set_index("date")["swe_mm"]


def test_overrides_change_the_day_and_are_part_of_its_identity(readings):
    plain = readings()
    written = (
        "LS01,2031-03-15,2031-03-16,swe_mm,set aside,,N. Keeper,2031-06-01,icing seen on the web picture",
        "LS02,2031-03-20,2031-03-20,swe_mm,value,123,N. Keeper,2031-06-01,read at the site",
        "LS03,2031-03-10,,,off,,N. Keeper,2031-06-01,moved to another slope",
        "LS04,2031-04-10,,,off,,N. Keeper,2031-06-01,not yet",
    )
    # A slip of the pen doubles no basin, and is told where the night is told.
    slipped = readings("LS01,2031-03-15,2031-03-20,swe_mm,value,9000,N. Keeper,2031-06-01,read at the site")
    assert daily(slipped, "LS01").max() < 1000.0
    assert [why for why in slipped.degraded if why.startswith("override not followed LS01 (swe_mm = 9000")]
    assert not any("override" in why for why in plain.degraded)
    changed = readings(*written)
    assert daily(changed, "LS01").loc["2031-03-15":"2031-03-16"].isna().all()
    assert daily(changed, "LS01").loc["2031-03-17"] == daily(plain, "LS01").loc["2031-03-17"]
    assert daily(changed, "LS02").loc["2031-03-20"] == 123.0
    assert daily(changed, "LS03").loc["2031-03-10":].isna().all()
    checks = changed.inputs.checks
    told = checks[checks["rule"] == "override"]
    assert told["site_id"].tolist() == ["LS01", "LS02", "LS03"]
    assert told["evidence"].str.contains("N. Keeper, 2031-06-01").all()
    assert not (checks["rule"] == "silent station").any()
    assert "overrides" not in plain.rows
    assert len(changed.rows["overrides"]) == 3
    assert rows_sha256(changed.rows["stations"]) == rows_sha256(plain.rows["stations"])
    again = readings(*written[::-1])
    pd.testing.assert_frame_equal(again.rows["overrides"], changed.rows["overrides"])
    assert rows_sha256(again.rows["overrides"]) == rows_sha256(changed.rows["overrides"])
