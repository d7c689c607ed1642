"""What the settings say of each input table's files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.inputs.formats import FileFormat
from pipeline.inputs.source import Source
from pipeline.settings.basin import Settings


def file_formats(settings: Settings, role: str) -> list[FileFormat]:
    """Return how the settings say that the files of a table are written."""
    return [FileFormat(**dict(entry)) for entry in settings.formats.get(role, [])]


def source_of(settings: Settings, role: str, files: Sequence[Path]) -> Source:
    """Return a table's files with what the settings say of them."""
    share = settings.checks.least_usable_share
    return Source(files, settings.columns.get(role, {}), settings.missing, file_formats(settings, role), share)
