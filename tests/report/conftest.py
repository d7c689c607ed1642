"""Fixtures that the tests of this folder use."""

from made_archive import archive, days_are_packed_once, packing, provenance  # noqa: F401  pytest finds them here
