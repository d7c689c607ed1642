"""The cache: values that took long to make, in files that may be deleted at any time.

A value lies under the hash of everything that decides it (`Maker.key`), so that a cached value is what making it again
would give. Each file begins with a hash of its own name and content: a damaged file counts as absent.
"""

from __future__ import annotations

import datetime as dt
import functools
import hashlib
import json
import os
import secrets
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass
from importlib.metadata import version as version_of
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Generic, TypeVar, cast

if TYPE_CHECKING:
    from hashlib import _Hash

Value = TypeVar("Value")

UNUSED_DAYS = 30
"""Days after which a file that no night asked for is deleted (chosen: its inputs, settings or maker have changed since).

Less costs a basin that rests between seasons the work of making it again, more costs room on the disk."""

_HASH_BYTES = 32
"""Length of a SHA-256 hash, bytes (FIPS 180-4)."""


@dataclass(frozen=True)
class Maker:
    """The functions that make one kind of cached value.

    Parameters
    ----------
    name : the kind; the names of its files end with it.
    version : raised with every change of these functions that changes what they return, or its bytes in the cache.
        tests/storage/test_makers.py fails when their code changes and this does not.
    libraries : distributions whose version may change what they return.
    """

    name: str
    version: int
    libraries: tuple[str, ...] = ()

    def identity(self) -> str:
        """Return the maker's name and version, and its libraries' versions."""
        return json.dumps([self.name, self.version, _versions(self.libraries)])

    def key(self, *deciding: object) -> str:
        """Return the name of the file that holds the value made from these inputs.

        Parameters
        ----------
        deciding : everything that decides the value: texts, bytes, numbers, dates, paths, arrays, and data classes,
            mappings and sequences of these. The order of a mapping counts.
        """
        digest = hashlib.sha256(self.identity().encode())
        _feed(digest, deciding)
        return f"{digest.hexdigest()}.{self.name}"


@functools.cache
def _versions(libraries: tuple[str, ...]) -> list[str]:
    return [f"{name} {version_of(name)}" for name in libraries]


def _feed(digest: _Hash, value: object) -> None:
    """Add a value to a digest.

    Its kind and length are added too, so that no two values give the same bytes.
    """
    if is_dataclass(value) and not isinstance(value, type):
        digest.update(f"<{type(value).__name__}>".encode())
        value = {field.name: getattr(value, field.name) for field in fields(value)}
    if isinstance(value, Mapping):
        value = [part for item in value.items() for part in item]
    if isinstance(value, tuple | list):
        digest.update(f"<{len(value)} values>".encode())
        for part in value:
            _feed(digest, part)
    elif value is None or isinstance(value, bool | int | float | str | dt.date | PurePath):
        text = repr(value).encode()
        digest.update(f"<{len(text)}>".encode())
        digest.update(text)
    else:
        view = memoryview(cast("bytes", value))
        digest.update(f"<{view.format} {view.shape}>".encode())
        digest.update(view.cast("B") if view.c_contiguous and view.nbytes else view.tobytes())


@dataclass(frozen=True)
class Encoding(Generic[Value]):
    """How a kind of value becomes bytes, and these the value again.

    `decode` may raise ValueError, TypeError or KeyError of bytes that it does not know: they count as absent.
    """

    encode: Callable[[Value], bytes | memoryview]
    decode: Callable[[memoryview], Value]


@dataclass(frozen=True)
class Cache:
    """A folder of cached values.

    Parameters
    ----------
    folder : where the files lie.
    writable : whether values are added; a check leaves nothing behind.
    """

    folder: Path
    writable: bool = True

    def get_or_make(self, key: str, encoding: Encoding[Value], make: Callable[[], Value]) -> Value:
        """Return the value of a key, from the cache or made.

        `Maker.key` makes the key. A value that the cache does not hold is made and added. Where the folder cannot be
        written, the value is returned all the same, and the next night must make it again.
        """
        body = self._body(key)
        if body is not None:
            with suppress(ValueError, TypeError, KeyError):
                return encoding.decode(body)
        value = make()
        if self.writable:
            content = encoding.encode(value)
            with suppress(OSError):
                put_at_once(self.folder / key, _seal(key, content), content)
        return value

    def holds(self, key: str) -> bool:
        """Return whether the cache holds an undamaged file of a key."""
        return self._body(key) is not None

    def drop_unused(self) -> None:
        """Delete the values that were not asked for lately.

        Call this when a night has asked for all that it needs.
        """
        if self.writable:
            drop_unused(self.folder)

    def _body(self, key: str) -> memoryview | None:
        path = self.folder / key
        try:
            data = memoryview(path.read_bytes())
        except OSError:
            return None
        if data[:_HASH_BYTES] != _seal(key, data[_HASH_BYTES:]):
            return None
        if self.writable:
            note_use(path)
        return data[_HASH_BYTES:]


def _seal(name: str, body: bytes | memoryview) -> bytes:
    """Return the hash of a cached file's name and content.

    It shows that the file is whole and lies under its own name.
    """
    digest = hashlib.sha256(name.encode())
    digest.update(body)
    return digest.digest()


def put_at_once(path: Path, *parts: bytes | memoryview) -> None:
    """Put a file of these parts in place in one step.

    Another process may be reading it, or putting the same. Raises OSError.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with beside.open("wb") as to:
            for part in parts:
                to.write(part)
        beside.replace(path)
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise


def note_use(path: Path) -> None:
    """Set a file's time, to note that it was asked for.

    Where the time cannot be set, the file may be deleted after `UNUSED_DAYS`, and its value is then made again.
    """
    with suppress(OSError):
        os.utime(path)


def drop_unused(folder: Path) -> None:
    """Delete the files of a folder that nobody asked for lately."""
    oldest = time.time() - UNUSED_DAYS * 86400
    with suppress(OSError):
        for path in folder.iterdir():
            with suppress(OSError):
                if path.stat().st_mtime < oldest:
                    path.unlink()
