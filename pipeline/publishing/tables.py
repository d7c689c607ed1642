"""The tables of a published day: how they become CSV and Parquet.

Every number is rounded once, and both forms hold the rounded value, so that they never disagree.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from snowtally.archive.columns import ARROW, Column
from snowtally.model.problems import ArchiveError
from snowtally.storage.csv_text import map_texts, neutral


def tidy(table: pd.DataFrame, columns: tuple[Column, ...], name: str) -> pd.DataFrame:
    """Return `table` with exactly `columns`, of their kinds and rounded. Missing values are None or NaN.

    Raises ArchiveError, naming table and column, when a column is missing, unknown or not of its kind.
    """
    wanted = [column.name for column in columns]
    missing, unknown = sorted(set(wanted) - set(table.columns)), sorted(set(table.columns) - set(wanted))
    if missing or unknown:
        faults = [f"lacks {', '.join(missing)}"] * bool(missing) + [f"has unknown {', '.join(unknown)}"] * bool(unknown)
        raise ArchiveError(f"Table {name} {' and '.join(faults)}. Its columns are {', '.join(wanted)}.")
    tidied = {}
    for column in columns:
        try:
            tidied[column.name] = _of_kind(table[column.name], column)
        except (ValueError, TypeError) as error:
            raise ArchiveError(f"Table {name}, column {column.name} is no {column.kind}: {error}") from error
    return pd.DataFrame(tidied, columns=wanted)


def _of_kind(values: pd.Series, column: Column) -> pd.Series:
    if column.kind in {"number", "whole"}:
        numbers = pd.to_numeric(values).astype(float).to_numpy(copy=True)
        numbers[~np.isfinite(numbers)] = np.nan
        decimals = 0 if column.kind == "whole" else column.decimals
        # Adding zero turns -0.0 into 0.0, which would print as "-0.0".
        return pd.Series((numbers if decimals is None else np.round(numbers, decimals)) + 0.0)
    objects = [None if pd.isna(value) or value == "" else value for value in values]
    if column.kind == "flag":
        objects = [None if value is None else bool(value) for value in objects]
    elif column.kind == "date":
        objects = [None if value is None else pd.Timestamp(value).date() for value in objects]
    else:
        objects = [None if value is None else str(value) for value in objects]
    return pd.Series(objects, dtype=object)


def csv_bytes(table: pd.DataFrame, columns: tuple[Column, ...]) -> bytes:
    """Return a tidied table as CSV. UTF-8, header line, LF, each number with its decimals, flags as true and false.

    Texts are such that no spreadsheet runs them (`snowtally.storage.csv_text`).
    """
    header = [column.name for column in columns]
    return _lines([header, *zip(*(_printed(table[column.name], column) for column in columns), strict=True)])


def plain_csv(table: pd.DataFrame) -> bytes:
    """Return any table as CSV.

    UTF-8, header line, LF, values as pandas prints them, texts that no spreadsheet runs.
    """
    texts = [name for name in table if not pd.api.types.is_numeric_dtype(table[name])]
    table = table.assign(**{name: map_texts(table[name], neutral) for name in texts})
    return _lines(csv.reader(io.StringIO(table.to_csv(index=False, lineterminator="\r\n"), newline="")))


def _lines(rows: Iterable[Sequence[str]]) -> bytes:
    r"""Return rows as CSV whose lines end in LF. A value with a line end of any kind is quoted.

    Where lines end in LF alone, Python's writer leaves a lone CR bare (3.11), and readers take it for the end of a row.

    >>> _lines([["site_id", "swe_mm"], ["LC\r99", "12"]])
    b'site_id,swe_mm\n"LC\r99",12\n'
    """
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    lines = []
    for row in rows:
        writer.writerow(row)
        lines.append(buffer.getvalue().removesuffix("\r\n"))
        buffer.seek(0)
        buffer.truncate()
    return "".join(f"{line}\n" for line in lines).encode("utf-8")


def _printed(values: pd.Series, column: Column) -> list[str]:
    if column.kind == "number":
        shape = "{!r}" if column.decimals is None else f"{{:.{column.decimals}f}}"
        return ["" if np.isnan(value) else shape.format(float(value)) for value in values]
    if column.kind == "whole":
        return ["" if np.isnan(value) else str(int(value)) for value in values]
    if column.kind == "flag":
        return ["" if value is None else str(value).lower() for value in values]
    return ["" if value is None else neutral(str(value)) for value in values]


def arrow_table(table: pd.DataFrame, columns: tuple[Column, ...]) -> pa.Table:
    """Return a tidied table with the types of its columns. NaN becomes null."""
    arrays = [pa.array(table[column.name], ARROW[column.kind], from_pandas=True) for column in columns]
    return pa.Table.from_arrays(arrays, names=[column.name for column in columns])


def parquet_bytes(table: pa.Table) -> bytes:
    """Return a table as a Parquet file. Nothing in it depends on the clock or on pandas."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    return sink.getvalue().to_pybytes()


def add_up(totals: pd.DataFrame) -> pd.DataFrame:
    """Return tidied totals whose volumes and areas add up exactly as stored.

    The zone-bands' rounded figures are the parts (1 m3, 1 m2); those of zones, bands and the basin become their sums.
    A zone-band without a figure leaves the sum to the others, and a sum that is missing stays so.
    Raises ArchiveError when a given sum differs from its parts by more than rounding explains.
    """
    summed = totals.copy()
    parts = totals[totals["level"] == "zone_band"]
    if parts.empty:
        return summed
    keys = {"basin": [], "zone": ["zone_id"], "band": ["band_low_m"]}
    for column, decimals in (("volume_m3", 0), ("area_km2", 6), ("snow_area_km2", 6)):
        for row in totals[totals["level"].isin(keys) & totals[column].notna()].itertuples():
            key, given = keys[row.level], getattr(row, column)
            belongs = np.logical_and.reduce([parts[k] == getattr(row, k) for k in key] or [np.ones(len(parts), bool)])
            total = np.round(parts.loc[belongs, column].sum(min_count=1), decimals) + 0.0
            slack = (belongs.sum() + 1) * 0.5 * 10.0**-decimals + 1e-6 * abs(given)
            # Written so that a sum of nothing known, NaN, is refused too.
            if not abs(total - given) <= slack:
                row_name = " ".join([row.level, *(str(getattr(row, k)) for k in key)])
                raise ArchiveError(
                    f"Totals do not add up: {column} of {row_name} is {given}, its zone-bands make {total}."
                )
            summed.loc[row.Index, column] = total
    return summed
