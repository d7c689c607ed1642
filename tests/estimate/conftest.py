"""Fixtures that the tests of this folder use."""

from made_nights import basin, home, settings  # noqa: F401  pytest finds them here
