"""The ground's shape is made once, and read again the same; a spoilt file is made anew."""

import numpy as np
import pytest
import xarray as xr

from pipeline.terrain import landform_cache as kept
from pipeline.terrain.predictors import LANDFORM, landform_of


@pytest.fixture
def terrain():
    x, y = 5e5 + np.arange(40) * 100.0, 4.8e6 - np.arange(30) * 100.0
    height = 1500.0 + 200.0 * np.sin(x[None] / 700.0) + 0.1 * (y[:, None] - 4.8e6)
    fields = {"elevation": height, "convergence": np.full(height.shape, 1.5)}
    return xr.Dataset({name: (("y", "x"), values) for name, values in fields.items()}, {"y": y, "x": x})


def made_counter(monkeypatch):
    calls = []

    def counted(*given):
        calls.append(given)
        return landform_of(*given)

    monkeypatch.setattr(kept, "landform_of", counted)
    return calls


def test_made_once_and_read_the_same(tmp_path, terrain, monkeypatch):
    calls = made_counter(monkeypatch)
    first, second = (kept.kept_landform(tmp_path / "c", terrain, 270.0, writable=True) for _ in range(2))
    assert len(calls) == 1
    for name in LANDFORM:
        assert first[name].tobytes() == second[name].tobytes()
    kept.kept_landform(tmp_path / "c", terrain, 200.0, writable=True)
    higher = terrain.assign(elevation=terrain["elevation"] + 1.0)
    kept.kept_landform(tmp_path / "c", higher, 270.0, writable=True)
    assert len(calls) == 3
    assert len(list((tmp_path / "c").iterdir())) == 3


def test_a_spoilt_file_is_made_anew(tmp_path, terrain, monkeypatch):
    kept.kept_landform(tmp_path, terrain, 270.0, writable=True)
    (file,) = tmp_path.iterdir()
    whole = file.read_bytes()
    calls = made_counter(monkeypatch)
    for spoilt in (b"", whole[:1000], b"not a file of numbers"):
        file.write_bytes(spoilt)
        found = kept.kept_landform(tmp_path, terrain, 270.0, writable=True)
        assert set(found) == set(LANDFORM)
        assert file.read_bytes() == whole
    assert len(calls) == 3


def test_a_check_leaves_nothing_behind_and_a_folder_that_is_none_is_no_trouble(tmp_path, terrain):
    kept.kept_landform(tmp_path / "c", terrain, 270.0, writable=False)
    assert not (tmp_path / "c").exists()
    (tmp_path / "file").write_text("in the way")
    assert set(kept.kept_landform(tmp_path / "file" / "c", terrain, 270.0, writable=True)) == set(LANDFORM)
