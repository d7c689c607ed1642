"""A process uses the cores that it was granted, and no more."""

from snowtally.model.cores import own_cores


def test_own_cores():
    assert own_cores() >= 1
