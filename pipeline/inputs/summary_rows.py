"""Rows of course sheets that sum up the others: an average or a total below a visit's points is no sample."""

from __future__ import annotations

import pandas as pd

from snowtally.inputs.columns import Table
from snowtally.inputs.converting import FIRST_CELL
from snowtally.inputs.printable import printable
from snowtally.inputs.rows import day_text
from snowtally.model.problems import Finding
from snowtally.model.rules.files import SUMMARY_ROW

_SUMMING = (
    "average averages avg mean means total totals sum median minimum maximum min max range std sd stdev count mittel "
    "mittelwert durchschnitt summe gesamt anzahl moyenne médiane somme media mediana promedio suma totale somma totaal "
    "gemiddelde som medel medelvärde medeltal snitt gjennomsnitt middel middelverdi gennemsnit keskiarvo summa yhteensä "
    "průměr součet średnia razem povprečje vsota meðaltal samtals"
)
WORDS = frozenset(_SUMMING.split())
"""What stands in the first cell of such a row, in the languages of countries with snow surveys (common practice, no source). A word
that is missing makes a sample of the mean: the visit's mean hardly moves, and its error is told too small."""


def is_summary(text: str) -> bool:
    """Return whether a cell says that its row sums up others.

    >>> is_summary(" Average: "), is_summary("MEAN"), is_summary("Mean Peak"), is_summary("7")
    (True, True, False, False)
    """
    return text.strip().strip(".:=()").strip().casefold() in WORDS


def without_summaries(rows: pd.DataFrame, table: Table) -> tuple[pd.DataFrame, list[Finding]]:
    """Return rows without those that sum up others of their visit, and a finding for each of these.

    Parameters
    ----------
    rows : of one file or sheet, with `first_cell`, which is taken out.

    Notes
    -----
    A visit with one row alone is what was published of it, whatever its point is called.
    """
    columns = [FIRST_CELL, *(column.name for column in table.columns if column.key in _WORD_AT)]
    says = pd.Series(data=False, index=rows.index)
    for column in columns:
        says |= _says(rows[column])
    if not says.any():
        return rows.drop(columns=FIRST_CELL), []
    sums_up = says & _has_others(rows, ~says, list(table.visit))
    findings = [
        Finding(
            SUMMARY_ROW,
            table.role,
            row["file"],
            int(row["line"]),
            "" if is_summary(row["site_id"]) else row["site_id"],
            start=day_text(row),
            end=day_text(row),
            evidence=f"line {row['line']}: {printable(next(row[column] for column in columns if is_summary(row[column])))}",
        )
        for _, row in rows[sums_up].iterrows()
    ]
    return rows[~sums_up].drop(columns=FIRST_CELL), findings


_WORD_AT = ("point", "site_id")
"""Keys of the columns in which a word such as Average may stand."""


def _says(texts: pd.Series) -> pd.Series:
    """Return which texts are a summary's word."""
    return texts.isin([text for text in texts.unique() if is_summary(text)])


def _has_others(rows: pd.DataFrame, samples: pd.Series, visit: list[str]) -> pd.Series:
    """Return which rows have samples of the same visit beside them.

    A row that does not say its visit belongs to the samples of its file.
    """
    of_none = pd.Series(data=False, index=rows.index)
    for column in visit:
        text = rows[column]
        of_none |= text.isna() if text.dtype.kind == "M" else text.eq("") | _says(text)
    visits = pd.MultiIndex.from_frame(rows[visit])
    return pd.Series(visits.isin(visits[samples]), rows.index) | (of_none & bool(samples.any()))
