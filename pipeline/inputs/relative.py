"""Paths as the settings see them, so that a day's bytes do not depend on where a checkout lies."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pandas as pd

from snowtally.model.problems import Finding


def with_relative_files(table: pd.DataFrame, home: Path) -> pd.DataFrame:
    """Return rows whose `file` is told from the settings file's folder on."""
    names = {name: relative_name(str(name), home) for name in table["file"].unique()}
    if isinstance(table["file"].dtype, pd.CategoricalDtype):
        return table.assign(file=table["file"].cat.rename_categories(names))
    return table.assign(file=table["file"].map(names).astype(table["file"].dtype))


def relative_to(finding: Finding, home: Path) -> Finding:
    """Return a finding with paths relative to the settings' folder.

    `home` is the folder of the settings file. The paths in the finding's evidence and detail change too.
    """
    words = {}
    for name in ("evidence", "detail"):
        text = getattr(finding, name)
        # The folder itself, and the one beside which its others lie.
        words[name] = text.replace(f"{home}{os.sep}", "").replace(f"{home.parent}{os.sep}", f"..{os.sep}")
    return replace(finding, file=relative_name(finding.file, home), **words)


def relative_name(name: str, home: Path) -> str:
    """Return a file's path from the settings file's folder on."""
    return Path(os.path.relpath(name, home)).as_posix() if Path(name).is_absolute() else name
