"""The ground's shape is made once, and read again the same; a spoilt file is made anew."""

import numpy as np
import pytest
import xarray as xr

from snowtally.storage.cache import Cache
from snowtally.terrain import landform_cache
from snowtally.terrain.landform_cache import cached_landform
from snowtally.terrain.predictors import LANDFORM, landform_of


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

    monkeypatch.setattr(landform_cache, "landform_of", counted)
    return calls


def test_made_once_and_read_the_same(tmp_path, terrain, monkeypatch):
    calls, cache = made_counter(monkeypatch), Cache(tmp_path / "c")
    first, second = (cached_landform(cache, terrain, 270.0) for _ in range(2))
    assert len(calls) == 1
    for name in LANDFORM:
        assert first[name].tobytes() == second[name].tobytes()
    cached_landform(cache, terrain, 200.0)
    cached_landform(cache, terrain.assign(elevation=terrain["elevation"] + 1.0), 270.0)
    assert len(calls) == 3
    assert len(list((tmp_path / "c").iterdir())) == 3


def test_a_spoilt_file_is_made_anew(tmp_path, terrain, monkeypatch):
    cache = Cache(tmp_path)
    cached_landform(cache, terrain, 270.0)
    (file,) = tmp_path.iterdir()
    whole = file.read_bytes()
    calls = made_counter(monkeypatch)
    for spoilt in (b"", whole[:1000], b"not a file of numbers"):
        file.write_bytes(spoilt)
        assert set(cached_landform(cache, terrain, 270.0)) == set(LANDFORM)
        assert file.read_bytes() == whole
    assert len(calls) == 3


def test_a_check_leaves_nothing_behind_and_a_folder_that_is_none_is_no_trouble(tmp_path, terrain):
    cached_landform(Cache(tmp_path / "c", writable=False), terrain, 270.0)
    assert not (tmp_path / "c").exists()
    (tmp_path / "file").write_text("in the way")
    assert set(cached_landform(Cache(tmp_path / "file" / "c"), terrain, 270.0)) == set(LANDFORM)
