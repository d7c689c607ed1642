"""The canonical rows and grids that days were made from, kept beside them once each by content.

The hashes can be computed again in any language:

Rows: the sha256 of the table as CSV: UTF-8, LF, a header line; text in double quotes (a quote doubled), missing values
empty, numbers in the fewest digits that give them back, times "2031-03-01 12:00:00.000000" (with "Z" when they carry a
time zone), dates "2031-03-01", true and false. Rows keep their order, but where there is a column `date` or `time` they
are first put into the order of its calendar months. Each month is kept as a file of its own with its header line, so
that a table that grows every night adds one month's rows and not a season's: `inputs/HASH.csv.gz`, HASH being the
sha256 of the unpacked file. `inputs/HASH.json` lists the months' hashes; joined, with one header line, they give the
bytes whose sha256 is that HASH.

Grids: the sha256 over the variables in the order of their names, for each one header line and its values as
little-endian float32, row by row, any NaN as 00 00 c0 7f and no negative zero. The header line is JSON without blanks,
keys sorted: `crs` (authority code where there is one, else WKT), `name`, `shape`, `x` and `y` (first and last centre).
The grids are kept as `inputs/HASH.nc`.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
from collections.abc import Iterator
from errno import ENOSPC
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import xarray as xr
from pyproj import CRS

from pipeline.outputs.failures import told
from pipeline.outputs.files import make_folders, put_file, replace_file
from pipeline.outputs.staging import Work, prepared, staged
from pipeline.problems import ArchiveError
from pipeline.reading import basin_folder

_NAN = np.uint32(0x7FC00000)
"""NaN has many bit patterns; this is the one that counts."""


def keep_inputs(
    root: str | Path, basin: str, rows: dict[str, pd.DataFrame], grids: dict[str, xr.Dataset]
) -> dict[str, str]:
    """Keep canonical rows and grids under BASIN/inputs, what is there already not again; return name to sha256.

    Raises ArchiveError when they cannot be written, or a table holds what CSV cannot say.
    """
    hashes = {}
    with told(f"Cannot keep the inputs of {basin} in {root}"):
        archive = prepared(root)
        folder = basin_folder(archive, basin) / "inputs"
        make_folders(folder)
        with staged(archive, basin) as work:
            for name, table in rows.items():
                hashes[name] = _keep_rows(table, folder, work)
            for name, dataset in grids.items():
                hashes[name] = _keep_grids(dataset, folder, work)
    return hashes


def rows_sha256(rows: pd.DataFrame) -> str:
    r"""Return the hash of a table's rows, as this module's docstring defines it.

    >>> rows_sha256(pd.DataFrame({"site_id": ["A"], "swe_mm": [12.0]})) == hashlib.sha256(
    ...     b'"site_id","swe_mm"\n"A",12\n').hexdigest()
    True
    """
    header, months = _canonical(rows)
    digest = hashlib.sha256(header)
    for body in months:
        digest.update(body)
    return digest.hexdigest()


def grids_sha256(dataset: xr.Dataset) -> str:
    """Return the hash of a dataset's variables and their place, as this module's docstring defines it."""
    digest = hashlib.sha256()
    for name in _variables(dataset):
        values = _float32(dataset[name])
        place = {axis: _ends(dataset, axis) for axis in ("x", "y")}
        header = {"name": name, "shape": list(values.shape), "crs": _crs_name(dataset), **place}
        digest.update(json.dumps(header, sort_keys=True, separators=(",", ":")).encode("utf-8") + b"\n")
        digest.update(values.tobytes())
    return digest.hexdigest()


def read_kept_rows(root: str | Path, basin: str, sha256: str) -> pd.DataFrame:
    """Return kept rows by their hash, checked against it; text columns that look like numbers come back as numbers.

    Raises ArchiveError when they are not kept, or are not what their hash says.
    """
    folder = basin_folder(root, basin) / "inputs"
    try:
        months = json.loads((folder / f"{sha256}.json").read_text("utf-8"))["months"]
        parts = [gzip.decompress((folder / f"{month}.csv.gz").read_bytes()) for month in months]
    except (OSError, EOFError, ValueError, KeyError) as error:
        raise ArchiveError(f"{basin} keeps no readable rows {sha256} in {folder} ({error}).") from error
    whole = parts[0] + b"".join(part.split(b"\n", 1)[1] for part in parts[1:])
    if hashlib.sha256(whole).hexdigest() != sha256:
        raise ArchiveError(f"The rows {sha256} in {folder} are not what their hash says. Put them back from a copy.")
    return pd.read_csv(io.BytesIO(whole), keep_default_na=False, na_values=[""])


# --- rows -------------------------------------------------------------------------------------------------------------


def _keep_rows(rows: pd.DataFrame, folder: Path, work: Work) -> str:
    header, months = _canonical(rows)
    digest, hashes = hashlib.sha256(header), []
    for body in months:
        digest.update(body)
        month = hashlib.sha256(header + body).hexdigest()
        hashes.append(month)
        path = folder / f"{month}.csv.gz"
        if not path.exists():
            replace_file(path, gzip.compress(header + body, compresslevel=6, mtime=0), work.folder)
    sha256 = digest.hexdigest()
    path = folder / f"{sha256}.json"
    if not path.exists():
        listed = {"rows": len(rows), "columns": [str(name) for name in rows.columns], "months": hashes}
        replace_file(path, (json.dumps(listed) + "\n").encode("utf-8"), work.folder)
    return sha256


def _canonical(rows: pd.DataFrame) -> tuple[bytes, Iterator[bytes]]:
    """Return the header line and, month by month, the rows as CSV; one empty body when there are no rows."""
    try:
        table = pa.Table.from_pandas(rows, preserve_index=False)
    except (pa.ArrowInvalid, pa.ArrowTypeError) as error:
        raise ArchiveError(f"A table of inputs has a column of mixed types: {error}") from error
    columns = [_plain_column(column) for column in table.columns]
    table = pa.table(dict(zip(table.column_names, columns, strict=True)))
    header = _csv(table.slice(0, 0), header=True)
    if rows.empty:
        return header, iter([b""])
    months = _months(table)
    order = np.argsort(months, kind="stable")
    table, starts = table.take(order), np.unique(months[order], return_index=True)[1]
    ends = [*starts[1:], table.num_rows]
    return header, (_csv(table.slice(a, b - a), header=False) for a, b in zip(starts, ends, strict=True))


def _plain_column(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return a column in the one type of its kind: how a table was read must not change its hash."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_timestamp(kind):
        return column.cast(pa.timestamp("us", "UTC" if kind.tz else None), safe=False)
    if pa.types.is_floating(kind):
        return pa.chunked_array([pa.array(chunk.to_numpy(zero_copy_only=False) + 0.0, pa.float64(), from_pandas=True)
                                 for chunk in column.chunks], pa.float64())  # fmt: skip
    return column


def _months(table: pa.Table) -> np.ndarray:
    """Return a whole number for each row that sorts as its calendar month (UTC); rows without a date come first."""
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


# --- grids ------------------------------------------------------------------------------------------------------------


def _keep_grids(dataset: xr.Dataset, folder: Path, work: Work) -> str:
    sha256 = grids_sha256(dataset)
    path = folder / f"{sha256}.nc"
    if not path.exists():
        beside = work.folder / path.name
        variables = {
            name: (dataset[name].dims, _float32(dataset[name]), _texts(dataset[name])) for name in _variables(dataset)
        }
        axes = {axis: dataset[axis] for axis in ("y", "x") if axis in dataset.coords}
        kept = xr.Dataset(variables, axes, {"crs": _crs_name(dataset)})
        packing = {"zlib": True, "complevel": 1, "shuffle": True, "_FillValue": np.float32(np.nan)}
        try:
            kept.to_netcdf(
                beside, engine="netcdf4", encoding={name: packing for name in variables if dataset[name].ndim}
            )
        except RuntimeError as error:
            # The library reports a full disk as an error of its own; nothing else of a grid made here can fail it.
            raise OSError(ENOSPC, "no room left", str(beside)) from error
        put_file(beside, path)
    return sha256


def _variables(dataset: xr.Dataset) -> list[str]:
    """Return the names of the variables that are grids: a scalar only carries the coordinate system."""
    return sorted(str(name) for name in dataset.data_vars if dataset[name].ndim)


def _texts(variable: xr.DataArray) -> dict[str, str]:
    return {name: value for name, value in variable.attrs.items() if isinstance(value, str)}


def _float32(variable: xr.DataArray) -> np.ndarray:
    values = np.ascontiguousarray(variable.to_numpy(), dtype="<f4") + np.float32(0)
    values.view("<u4")[np.isnan(values)] = _NAN
    return values


def _ends(dataset: xr.Dataset, axis: str) -> list[float]:
    return [float(dataset[axis][0]), float(dataset[axis][-1])] if dataset.sizes.get(axis) else []


def _crs_name(dataset: xr.Dataset) -> str:
    """Return the coordinate system that a dataset names in its attributes or its `crs` or `spatial_ref` variable."""
    given = dataset.attrs.get("crs", "")
    for name in ("crs", "spatial_ref"):
        if name in dataset.variables:
            given = dataset[name].attrs.get("crs_wkt", given)
    if not given:
        return ""
    crs = CRS.from_user_input(given)
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else crs.to_wkt()
