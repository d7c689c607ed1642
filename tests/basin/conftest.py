"""What the tests of whole nights share: the files of a small made-up basin."""

import pytest
from made_basin import write_basin


@pytest.fixture(scope="module")
def basin(tmp_path_factory):
    return write_basin(tmp_path_factory.mktemp("basin"))
