"""Mutations of NetCDF files and workbooks from the inside."""

from __future__ import annotations

import random
import zipfile
from pathlib import Path

import netCDF4
import numpy as np
from mutated_basin import rewrite_zip
from mutation_kinds import mutation, name_in_settings

MANY_ROWS = 2_000_000_000
"""A variable of so many doubles asks for 15 GB, and takes a few kB of a file until somebody writes them."""


@mutation("netcdf: asks for more memory than there is")
def _huge_netcdf(chance: random.Random, home: Path) -> None:
    name = chance.choice(("stations.nc", "elevation.nc"))
    name_in_settings(home, name)
    path = home / name
    path.unlink()
    with netCDF4.Dataset(path, "w") as file:
        if name == "elevation.nc":
            for axis, first, step in (("y", 4_881_000.0, -100.0), ("x", 499_000.0, 100.0)):
                file.createDimension(axis, 45_000)
                file.createVariable(axis, "f8", (axis,))[:] = first + step * np.arange(45_000)
            file.createVariable("elevation", "f8", ("y", "x"), zlib=True, chunksizes=(1000, 1000)).units = "m"
            return
        file.featureType = "timeSeries"
        file.createDimension("station", 2)
        file.createDimension("time", MANY_ROWS // 2)
        ids = file.createVariable("station_name", str, ("station",))
        ids.cf_role = "timeseries_id"
        ids[0], ids[1] = "S1", "S3"
        time = file.createVariable("time", "f8", ("time",), zlib=True, chunksizes=(1_000_000,))
        time.units, time.standard_name = "seconds since 2031-03-01", "time"
        swe = file.createVariable("swe", "f8", ("station", "time"), zlib=True, chunksizes=(1, 1_000_000))
        swe.standard_name, swe.units = "lwe_thickness_of_surface_snow_amount", "m"


@mutation("netcdf: odd attributes or values", 4.0)
def _attributes(chance: random.Random, home: Path) -> None:
    name = chance.choice(("stations.nc", "stations.nc", "elevation.nc"))
    name_in_settings(home, name)
    with netCDF4.Dataset(home / name, "a") as file:
        file.set_auto_maskandscale(False)
        variable = file[chance.choice([*file.variables])]
        odd_texts = (
            "",
            "parsec",
            "days since 0001-01-01",
            "months since 2031-01-01",
            "seconds since 9999-12-31",
            "days since x",
            "\x1b[31m",
        )
        match chance.randrange(6):
            case 0:
                variable.setncattr("units", chance.choice(odd_texts))
            case 1:
                variable.setncattr(
                    chance.choice(("scale_factor", "add_offset")), chance.choice((0.0, 1e300, np.nan, np.inf))
                )
            case 2:
                variable.setncattr(
                    "valid_range", chance.choice((np.array([1.0, 0.0]), np.array([np.nan, np.nan]), np.array([5.0])))
                )
            case 3:
                variable.setncattr("calendar", chance.choice(("360_day", "julian", "none", "")))
            case 4:
                for key in variable.ncattrs():
                    if key != "_FillValue":
                        variable.delncattr(key)
            case 5 if variable.size and variable.dtype != str and variable.dtype.kind == "f":
                variable[..., -1] = chance.choice((np.nan, np.inf, 1e300, -1e18))
            case _:
                variable.setncattr("standard_name", chance.choice(("time", "air_temperature", "", "x" * 3000)))


@mutation("netcdf: odd shape")
def _shape(chance: random.Random, home: Path) -> None:
    name_in_settings(home, "stations.nc")
    path = home / "stations.nc"
    path.unlink()
    with netCDF4.Dataset(path, "w") as file:
        file.featureType = chance.choice(("timeSeries", "profile", "timeSeriesProfile", ""))
        counts = {name: chance.choice((0, 1, 3)) for name in ("station", "time", "obs")}
        for name, count in counts.items():
            file.createDimension(name, count)
        ids = file.createVariable("id", chance.choice(("i4", "S1", "f8")), ("station",))
        ids.cf_role = "timeseries_id"
        time = file.createVariable("time", "f8", (chance.choice(("time", "obs", "station")),))
        time.units, time.standard_name = "days since 2031-03-01", "time"
        swe = file.createVariable(
            "swe", "f8", chance.choice((("station", "time"), ("obs",), ("time", "station"), ("station",), ()))
        )
        swe.standard_name, swe.units = "lwe_thickness_of_surface_snow_amount", "m"
        if chance.random() < 0.5:
            count = file.createVariable("row", "i4", ("station",))
            count.sample_dimension = "obs"
            count[:] = chance.choice((-1, 1, 2_000_000_000))


def _parts(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as file:
        return {name: file.read(name) for name in file.namelist()}


SHEET = "xl/worksheets/sheet1.xml"


@mutation("workbook: odd insides", 4.0)
def _workbook(chance: random.Random, home: Path) -> None:
    name_in_settings(home, "courses.xlsx")
    path = home / "courses.xlsx"
    parts = _parts(path)
    match chance.randrange(6):
        case 0:
            name = chance.choice([*parts])
            body = bytearray(parts[name])
            for _ in range(chance.choice((1, 5, 50))):
                body[chance.randrange(len(body))] = chance.randrange(256)
            parts[name] = bytes(body)
        case 1:
            del parts[chance.choice([*parts])]
        case 2:
            odd = chance.choice(("A1", "A1:XFD1048576", "B3:A1", "x", "", "A1:E3"))
            head, _, tail = parts[SHEET].partition(b'<dimension ref="')
            parts[SHEET] = head + b'<dimension ref="' + odd.encode() + b'"' + tail.partition(b'"')[2]
        case 3:
            odd = chance.choice((b"1e308", b"nan", b"", b"-1", b"99999999999", b"#REF!", b"2958466"))
            values = parts[SHEET].split(b"<v>")
            place = chance.randrange(1, len(values))
            values[place] = odd + b"</v>" + values[place].partition(b"</v>")[2]
            parts[SHEET] = b"<v>".join(values)
        case 4:
            odd = b'<!DOCTYPE x [<!ENTITY a "' + b"x" * 1000 + b'">' + b"".join(
                b'<!ENTITY a%d "%s">' % (n, (b"&a%d;" % (n - 1) if n else b"&a;") * 20) for n in range(8)
            ) + b"]>"  # fmt: skip
            parts[SHEET] = odd + parts[SHEET].replace(b"<v>", b"<v>&a7;", 1)
        case 5:
            odd = b"".join(b'<row r="%d"/>' % n for n in range(8, 1_000_000, 3))
            parts[SHEET] = parts[SHEET].replace(b"</sheetData>", odd + b"</sheetData>")
    rewrite_zip(path, parts)


@mutation("workbook: encrypted, packed or none")
def _shell(chance: random.Random, home: Path) -> None:
    name_in_settings(home, "courses.xlsx")
    path = home / "courses.xlsx"
    data = path.read_bytes()
    match chance.randrange(4):
        case 0:
            # An encrypted workbook is a compound document: its signature, a sector of header, an encrypted package.
            header = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(16) + bytes.fromhex("3e000300feff09000600") + bytes(478)
            path.write_bytes(header + chance.randbytes(8192))
        case 1:
            # Each entry says that it is encrypted.
            path.write_bytes(
                data.replace(b"PK\x03\x04\x14\x00\x00", b"PK\x03\x04\x14\x00\x01").replace(
                    b"PK\x01\x02\x14\x03\x14\x00\x00", b"PK\x01\x02\x14\x03\x14\x00\x01"
                )
            )
        case 2:
            parts = _parts(path)
            parts[SHEET] = parts[SHEET].replace(b"</sheetData>", b" " * 400_000_000 + b"</sheetData>")
            rewrite_zip(path, parts)
        case 3:
            rewrite_zip(path, {"mimetype": b"application/vnd.oasis.opendocument.spreadsheet", "content.xml": b"<x/>"})
