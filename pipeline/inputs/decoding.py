"""From a file's bytes to UTF-8 bytes, whatever encoding it is written in."""

from __future__ import annotations

import codecs
import io
import re
from pathlib import Path
from typing import BinaryIO

from snowtally.model.problems import InputError

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
        if not _lone_returns(stream):
            return stream
        with stream:
            return io.BytesIO(with_line_feeds(stream.read()))
    with stream:
        stream.seek(0)
        try:
            text = stream.read().decode(marked or encoding or "utf-8", "strict")
        except UnicodeError as trouble:
            position = getattr(trouble, "start", 0)
            raise InputError(
                f"{path} is not {(marked or encoding or 'UTF-8').upper()} text (byte {position}). Save it as CSV, UTF-8, "
                "or declare its encoding under formats: in the settings"
            ) from None
    return io.BytesIO(with_line_feeds(text.encode("utf-8")))


def with_line_feeds(data: bytes) -> bytes:
    r"""Return text in which no line ends in a return alone.

    Lines end in a line feed, or in a carriage return and a line feed. A return alone becomes a line feed, and so does a
    doubled return with a line feed. Other text is returned as it is.

    >>> with_line_feeds(b"a\rb\r\nc\r\r\nd\n")
    b'a\nb\r\nc\nd\n'
    """
    return data if data.count(b"\r") == data.count(b"\r\n") else _LONE_RETURNS.sub(b"\n", data)


_LONE_RETURNS = re.compile(rb"\r\r+\n|\r(?!\n)")
"""Ends of lines that no line feed follows, and returns that were doubled when line feeds were turned into pairs."""


def _lone_returns(stream: BinaryIO) -> bool:
    """Return whether some lines end in a carriage return alone.

    The stream stays where it is.
    """
    position = stream.tell()
    start = stream.read(_LOOK)
    stream.seek(position)
    # A return at the very end may be the first of a pair.
    start = start.removesuffix(b"\r")
    return start.count(b"\r") != start.count(b"\r\n")


_LOOK = 1 << 16
"""The header stands in the first 64 KiB; lone returns further on are seen chunk by chunk (`snowtally.inputs.lines.chunks`)."""
