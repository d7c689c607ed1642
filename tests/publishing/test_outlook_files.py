"""`melt.nc` as other programs read it: lead, reference time and error of one night, and several nights side by side."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_day import made_day

from snowtally.archive.columns import COLUMNS
from snowtally.model.day import Outlook
from snowtally.publishing.estimate_nc import rounded_fields
from snowtally.publishing.outlook_files import write_outlook

NIGHTS = {"2031-03-04": 3, "2031-03-05": 2}
"""Nights with how many days their forecasts reach ahead."""


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    out = []
    for night, days in NIGHTS.items():
        folder = tmp_path_factory.mktemp(night)
        day = made_day(night, height=8, width=9)
        dates = [day.date + dt.timedelta(days=n) for n in range(1, days + 1)]
        grid = np.where(np.isfinite(day.fields["swe"]), 1.0, np.nan) * np.arange(1.0, days + 1)[:, None, None]
        shares = {"potential_melt": 1.5, "melt": 1.0, "melt_se": 0.25, "snow_cover": 0.1}
        fields = xr.Dataset({name: (("time", "y", "x"), share * grid) for name, share in shares.items()})
        table = pd.DataFrame(columns=[column.name for column in COLUMNS["outlook"]])
        write_outlook(replace(day), Outlook(dates, table, fields), rounded_fields(day)["cell_area"], folder)
        out.append(folder / "melt.nc")
    return out


def test_a_night_says_when_it_was_made_and_how_far_it_looks(files):
    with xr.open_dataset(files[0], decode_timedelta=False) as melt:
        assert melt["forecast_reference_time"].to_numpy() == np.datetime64("2031-03-04T14:00")
        assert melt["forecast_period"].to_numpy().tolist() == [24.0, 48.0, 72.0]
        lead = pd.to_timedelta(melt["forecast_period"].to_numpy(), unit=melt["forecast_period"].attrs["units"])
        assert (melt["time"].to_numpy() == melt["forecast_reference_time"].to_numpy() + lead).all()
        assert melt.encoding["unlimited_dims"] == {"time"}
        volume = (melt["melt"] * melt["cell_area"] / 1000.0).sum(("y", "x"))
        np.testing.assert_allclose(volume, [n * melt["cell_area"].sum() / 1000.0 for n in (1, 2, 3)], rtol=1e-6)
        named = {v.attrs["standard_name"] for v in melt.data_vars.values() if "standard_name" in v.attrs}
        assert len(named) == sum("standard_name" in v.attrs for v in melt.data_vars.values())
        assert melt["melt"].attrs["ancillary_variables"] == "melt_se"


def test_several_nights_lie_side_by_side_by_their_lead(files):
    # What docs/outlook.md gives: the nights' leads need not be as many.
    with xr.open_mfdataset(
        files,
        combine="nested",
        concat_dim="forecast_reference_time",
        preprocess=lambda night: night.swap_dims(time="forecast_period"),
        coords="different",
        compat="equals",
        data_vars="all",
        join="outer",
        decode_timedelta=False,
    ) as nights:
        assert nights["melt"].dims == ("forecast_reference_time", "forecast_period", "y", "x")
        assert nights["lat"].dims == ("y", "x")
        assert nights["melt"].max(("y", "x")).fillna(-1).to_numpy().tolist() == [[1.0, 2.0, 3.0], [1.0, 2.0, -1.0]]
        when = nights["time"].to_numpy()
        assert when[0, 1] == when[1, 0] == np.datetime64("2031-03-06T14:00")
