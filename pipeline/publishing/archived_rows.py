"""The canonical rows that days were made from, kept once each by content.

The hash can be computed again in any language: the sha256 of the table as CSV: UTF-8, LF, a header line; text in double
quotes (a quote doubled), missing values empty, numbers in the fewest digits that give them back, times
"2031-03-01 12:00:00.000000" (with "Z" when they carry a time zone), dates "2031-03-01", true and false. Rows keep their
order, but where there is a column `date` or `time` they are first put into the order of its calendar months. Each month is
kept as a file of its own with its header line, so that a table that grows every night adds one month's rows and not a
season's: `inputs/HASH.csv.gz`, HASH being the sha256 of the unpacked file. `inputs/HASH.json` lists the months' hashes and
the columns' types; the months joined, with one header line, give the bytes whose sha256 is that HASH.
"""

from __future__ import annotations

import errno
import gzip
import hashlib
import io
import json
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from snowtally.model.problems import ArchiveError
from snowtally.publishing.staging import Work, is_archived
from snowtally.storage.files import replace_file
from snowtally.storage.json_text import from_json

_TYPES = {
    str(kind): kind
    for kind in (
        pa.string(), pa.float64(), pa.int64(), pa.bool_(), pa.date32(), pa.timestamp("us"), pa.timestamp("us", "UTC"), pa.null(),
    )
}  # fmt: skip
"""The types that a kept column may have, by the name that the listing gives them."""


def rows_sha256(rows: pd.DataFrame) -> str:
    r"""Return a table's hash as this module's docstring defines it.

    >>> rows_sha256(pd.DataFrame({"site_id": ["A"], "swe_mm": [12.0]})) == hashlib.sha256(
    ...     b'"site_id","swe_mm"\n"A",12\n').hexdigest()
    True
    """
    header, months, _ = _canonical(rows)
    digest = hashlib.sha256(header)
    for body in months:
        digest.update(body)
    return digest.hexdigest()


def archive_rows(rows: pd.DataFrame, folder: Path, work: Work) -> str:
    """Archive a table's rows in `folder` and return its hash.

    What is there already is not written again. Raises OSError.
    """
    header, months, types = _canonical(rows)
    digest, hashes = hashlib.sha256(header), []
    for body in months:
        digest.update(body)
        month = hashlib.sha256(header + body).hexdigest()
        hashes.append(month)
        path = folder / f"{month}.csv.gz"
        if not is_archived(path):
            replace_file(path, gzip.compress(header + body, compresslevel=6, mtime=0), work.folder)
    sha256 = digest.hexdigest()
    path = folder / f"{sha256}.json"
    if not is_archived(path):
        replace_file(path, _listing(len(rows), types, hashes), work.folder)
    return sha256


def _listing(rows: int, types: dict[str, str], months: list[str]) -> bytes:
    content = {"rows": rows, "columns": list(types), "types": list(types.values()), "months": months}
    return (json.dumps(content) + "\n").encode("utf-8")


def archived_months(folder: Path, sha256: str) -> list[str]:
    """Return the hashes of an archived table's months. Raises ArchiveError when the listing cannot be read."""
    return [str(month) for month in _read_listing(folder, sha256)["months"]]


def read_rows(folder: Path, sha256: str) -> pd.DataFrame:
    """Return archived rows by their hash, and check them against it.

    An archive of before the listing named types gives its columns as they look: text that looks like numbers is numbers.
    Raises ArchiveError when they are not kept, or are not what their hash says.
    """
    listing = _read_listing(folder, sha256)
    whole = _joined([read_month(folder, month) for month in listing["months"]])
    if hashlib.sha256(whole).hexdigest() != sha256:
        raise ArchiveError(f"The rows {sha256} in {folder} are not what their hash says. Put them back from a copy.")
    if "types" not in listing:
        return pd.read_csv(io.BytesIO(whole), keep_default_na=False, na_values=[""])
    try:
        types = {name: _TYPES[kind] for name, kind in zip(listing["columns"], listing["types"], strict=True)}
        table = _parsed(whole, types)
        again = _listing(table.num_rows, dict(zip(types, listing["types"], strict=True)), listing["months"])
    except (pa.ArrowInvalid, KeyError, ValueError, TypeError) as error:
        raise ArchiveError(
            f"{folder / sha256}.json does not fit its rows ({error}). Put it back from a copy."
        ) from error
    rows = table.to_pandas(use_threads=False)
    # A number read as text would fit too; only the right types write the same bytes again.
    if again != (folder / f"{sha256}.json").read_bytes() or rows_sha256(rows) != sha256:
        raise ArchiveError(f"{folder / sha256}.json does not fit its rows. Put it back from a copy.")
    return rows


def _parsed(whole: bytes, types: dict[str, pa.DataType]) -> pa.Table:
    how = pa_csv.ConvertOptions(
        column_types=types, null_values=[""], strings_can_be_null=True, quoted_strings_can_be_null=False
    )
    # Without threads, as in `snowtally.storage.parquet`.
    table = pa_csv.read_csv(
        io.BytesIO(whole), pa_csv.ReadOptions(use_threads=False), pa_csv.ParseOptions(newlines_in_values=True), how
    )
    if table.column_names != list(types):
        raise ValueError(f"columns {', '.join(table.column_names)}")
    return table


def _read_listing(folder: Path, sha256: str) -> dict:
    try:
        listing = from_json(_bytes_of(folder / f"{sha256}.json").decode("utf-8"))
        _ = listing["months"][0]
    except (OSError, ValueError, LookupError, TypeError) as error:
        raise ArchiveError(f"{folder.parent.name} keeps no readable rows {sha256} in {folder} ({error}).") from error
    return listing


def _bytes_of(path: Path) -> bytes:
    """Return a file's bytes. A pipe in its place would be waited for without end."""
    if not path.is_file():
        raise FileNotFoundError(errno.ENOENT, "no plain file", str(path))
    return path.read_bytes()


def read_month(folder: Path, sha256: str) -> bytes:
    """Return one archived month as CSV, checked against its hash. Raises ArchiveError."""
    path = folder / f"{sha256}.csv.gz"
    try:
        data = gzip.decompress(_bytes_of(path))
    except (OSError, EOFError, ValueError, zlib.error) as error:
        raise ArchiveError(f"{path} cannot be read ({error}). Put it back from a copy.") from error
    if hashlib.sha256(data).hexdigest() != sha256:
        raise ArchiveError(f"{path} is not what its name says. Put it back from a copy.")
    return data


def _joined(months: list[bytes]) -> bytes:
    """Return months of one table as one CSV with one header line. Header lines hold no line end inside a name."""
    return months[0] + b"".join(month.split(b"\n", 1)[1] for month in months[1:])


def _canonical(rows: pd.DataFrame) -> tuple[bytes, Iterator[bytes], dict[str, str]]:
    """Return the header line, each month's rows as CSV, and the types. Without rows there is one empty body."""
    try:
        table = pa.Table.from_pandas(rows, preserve_index=False)
    except (pa.ArrowInvalid, pa.ArrowTypeError) as error:
        raise ArchiveError(f"A table of inputs has a column of mixed types: {error}") from error
    columns = [_plain_column(column) for column in table.columns]
    table = pa.table(dict(zip(table.column_names, columns, strict=True)))
    header = _csv(table.slice(0, 0), header=True)
    types = {field.name: str(field.type) for field in table.schema}
    if rows.empty:
        return header, iter([b""]), types
    months = _months(table)
    order = np.argsort(months, kind="stable")
    table, starts = table.take(order), np.unique(months[order], return_index=True)[1]
    ends = [*starts[1:], table.num_rows]
    return header, (_csv(table.slice(a, b - a), header=False) for a, b in zip(starts, ends, strict=True)), types


def _plain_column(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return a column in the one type of its kind. How a table was read must not change its hash."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_large_string(kind):
        return column.cast(pa.string())
    if pa.types.is_integer(kind):
        return column.cast(pa.int64())
    if pa.types.is_timestamp(kind):
        return column.cast(pa.timestamp("us", "UTC" if kind.tz else None), safe=False)
    if pa.types.is_floating(kind):
        return pa.chunked_array([pa.array(chunk.to_numpy(zero_copy_only=False) + 0.0, pa.float64(), from_pandas=True)
                                 for chunk in column.chunks], pa.float64())  # fmt: skip
    return column


def _months(table: pa.Table) -> np.ndarray:
    """Return a number for each row that sorts by calendar month (UTC). Rows without a date come first."""
    name = next((name for name in ("date", "time") if name in table.column_names), None)
    if name is None:
        return np.zeros(table.num_rows, dtype=np.int64)
    column = table[name]
    if pa.types.is_temporal(column.type):
        return column.to_numpy().astype("datetime64[M]").astype(np.int64)
    text = (
        pc.fill_null(pc.utf8_slice_codeunits(column.cast(pa.string()), 0, 7), "").combine_chunks().dictionary_encode()
    )
    ranks = np.argsort(np.argsort(text.dictionary.to_pylist()))
    return ranks[text.indices.to_numpy()]


def _csv(table: pa.Table, *, header: bool) -> bytes:
    sink = io.BytesIO()
    pa_csv.write_csv(table, sink, pa_csv.WriteOptions(include_header=header))
    return sink.getvalue()
