"""Fixtures of the tests that publish: days that are packed once, and an archive with a little history."""

from __future__ import annotations

import hashlib
import pickle

import pytest
from made_day import made_day
from made_provenance import make_provenance

from snowtally.publishing import publish as archive_module
from snowtally.publishing.pack import pack
from snowtally.publishing.publish import publish


@pytest.fixture(scope="session", autouse=True)
def days_are_packed_once():
    """Publish a day that was packed before with the files of that time: packing takes more than half of a publish."""
    kept: dict[bytes, dict[str, bytes]] = {}

    def packed(day, folder):
        key = hashlib.sha256(pickle.dumps(day)).digest()
        if key not in kept:
            kept[key] = {name: (folder / name).read_bytes() for name in pack(day, folder)}
        for name, data in kept[key].items():
            (folder / name).write_bytes(data)
        return list(kept[key])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(archive_module, "pack", packed)
        yield


@pytest.fixture
def packing():
    """Pack every day anew, for a test that looks at packing."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(archive_module, "pack", pack)
        yield


@pytest.fixture
def provenance():
    """The maker of provenances, so that a test names only what matters to it."""
    return make_provenance


@pytest.fixture(scope="session")
def archive(tmp_path_factory):
    """Two dates, the first with two revisions. Tests read it and leave it as it is."""
    root = tmp_path_factory.mktemp("session") / "archive"
    silent = ["Station 007 is silent."]
    publish(root, made_day("2031-03-01"), make_provenance("first", degraded=silent))
    publish(root, made_day("2031-03-01", extra_mm=10), make_provenance("second", degraded=silent))
    publish(root, made_day("2031-03-05", extra_mm=20), make_provenance("third"))
    return root
