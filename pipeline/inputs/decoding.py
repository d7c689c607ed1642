"""From a file's bytes to UTF-8 bytes, whatever encoding it is written in."""

from __future__ import annotations

import codecs
import io
from pathlib import Path
from typing import BinaryIO

from pipeline.problems import InputError

MARKS = {codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
"""Byte-order marks and the encodings that they tell."""


def open_as_utf8(path: Path, encoding: str | None) -> BinaryIO:
    """Open a text file as a stream of UTF-8 bytes without a byte-order mark.

    Parameters
    ----------
    encoding : as the settings declare it; None is UTF-8, or what a byte-order mark says.

    Raises
    ------
    InputError : the file cannot be opened, or its bytes are not in the encoding. UTF-8 is not looked at here, so that one
        bad line costs no more than itself.
    """
    try:
        stream = path.open("rb")
        start = stream.read(3)
    except OSError as trouble:
        raise InputError(f"{path} cannot be read: {trouble.strerror}") from None
    marked = next((name for mark, name in MARKS.items() if start.startswith(mark)), None)
    name = codecs.lookup(marked or encoding or "utf-8").name
    if name in {"utf-8", "utf-8-sig", "ascii"}:
        stream.seek(3 if marked == "utf-8-sig" else 0)
        if name == "ascii" or not _old_line_ends(stream):
            return stream
    with stream:
        stream.seek(0)
        try:
            text = stream.read().decode(marked or encoding or "utf-8", "strict")
        except UnicodeError as trouble:
            place = getattr(trouble, "start", 0)
            raise InputError(
                f"{path} is not {(marked or encoding or 'UTF-8').upper()} text (byte {place}). Save it as CSV, UTF-8, "
                "or declare its encoding under formats: in the settings"
            ) from None
    return io.BytesIO(text.encode("utf-8") if "\n" in text else text.replace("\r", "\n").encode("utf-8"))


def _old_line_ends(stream: BinaryIO) -> bool:
    """Tell whether lines end in a carriage return alone; the stream stays where it is."""
    place = stream.tell()
    start = stream.read(_LOOK)
    stream.seek(place)
    return b"\r" in start and b"\n" not in start


_LOOK = 1 << 16
"""A table without a line end in its first 64 KiB has none."""
