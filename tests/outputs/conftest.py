"""What the tests of outputs share: a clock that stands still, and an archive with a little history."""

from __future__ import annotations

import pytest
from made_day import made_day
from made_provenance import make_provenance

from pipeline.outputs.archive import publish


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
