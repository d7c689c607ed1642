"""Where an archive is: a folder, or an object store by its URL (s3://bucket/prefix).

A store's paths (universal_pathlib over fsspec) have the methods of `pathlib` that reading needs, so that nobody else asks which of
the two it is; the few things that differ are here. A store knows no folders, locks or renames: an object is there whole or not at
all, and can be put on condition that it is not there yet.
"""

from __future__ import annotations

import hashlib
import os
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from snowtally.model.problems import ArchiveError, SettingsError
from snowtally.storage.cache import drop_unused, note_use, put_at_once

if TYPE_CHECKING:

    class StorePath(Path):
        """What a path in a store has besides `pathlib`'s methods."""

        fs: Any
        path: str


def path_of(root: str | Path) -> Path:
    """Return the path of an archive from its text. A path is returned as it is.

    Raises ArchiveError when it is a URL and what reads it is not installed.
    """
    if not isinstance(root, str):
        return root
    if "://" not in root:
        return Path(root)
    try:
        from upath import UPath  # noqa: PLC0415  only object stores need it

        # What another writer has put must be seen at once: listings are never remembered. The endpoint is told here, since clients
        # are kept by what they are told and not by the environment.
        endpoint = os.environ.get("AWS_ENDPOINT_URL") if root.startswith("s3://") else None
        options = {"endpoint_url": endpoint} if endpoint else {}
        return cast("Path", UPath(root.rstrip("/"), use_listings_cache=False, **options))
    except (ImportError, ValueError) as error:
        scheme = root.split("://", maxsplit=1)[0]
        raise ArchiveError(
            f"Archive '{root}' cannot be opened ({error}). For s3:// install snowtally[s3]; for {scheme}:// install its fsspec package."
        ) from error


def named_path(text: str, home: Path) -> Path:
    """Return where the archive is that a person names.

    A store's URL, or a folder, whose path starts at `home` when it is relative.

    Raises ArchiveError as `path_of` does.
    """
    return path_of(text) if "://" in text else Path(os.path.realpath(home / text))


def in_store(path: Path) -> bool:
    """Return whether a path is an object's in a store."""
    return not isinstance(path, Path)


def _object(path: Path) -> StorePath:
    """Return the path of an object as what it is."""
    return cast("StorePath", path)


def age_s(path: Path) -> float:
    """Return how long ago a file or object was last written, s. Links are not followed. Raises OSError."""
    if in_store(path):
        store = _object(path)
        return time.time() - store.fs.modified(store.path).timestamp()
    return time.time() - path.lstat().st_mtime


def archive_above(path: Path) -> Path | None:
    """Return the archive that holds a path, None for none. Links are followed, and the path need not exist.

    Raises ArchiveError where the path's links lead nowhere, or a folder above it may not be looked into.
    """
    try:
        whole = path if in_store(path) else path.resolve()
        return next((above for above in (whole, *whole.parents) if (above / "archive.json").exists()), None)
    # A loop of links is a RuntimeError to Python 3.11, a NUL in a name a ValueError.
    except (OSError, RuntimeError, ValueError) as error:
        raise ArchiveError(f"{path} cannot be used ({error}). Give another path") from error


def outside_archives(path: Path, option: str) -> Path:
    """Return the path that an option names for output. Raises SettingsError when it lies in an archive.

    What is written there would be a stray that nobody can tell from damage.
    """
    above = archive_above(path)
    if above is not None:
        raise SettingsError(f"{option} {path} lies in the archive {above}. Give a place outside of it")
    return path


def put_new(path: Path, data: bytes) -> None:
    """Put an object that must not be there yet. Raises FileExistsError when it is. The store itself sees to it."""
    target = _object(path)
    target.fs.pipe_file(target.path, data, mode="create")


def send(file: Path, path: Path) -> None:
    """Put a file into a store, in one step for every reader."""
    target = _object(path)
    target.fs.put_file(str(file), target.path)


def names_in(folder: Path) -> list[str]:
    """Return the names in a folder, in any order. Raises FileNotFoundError when there is none."""
    if in_store(folder):
        store = _object(folder)
        return [key.rstrip("/").rsplit("/", 1)[-1] for key in store.fs.ls(store.path, detail=False)]
    return [entry.name for entry in os.scandir(folder)]


def sizes_in(folder: Path) -> dict[str, int]:
    """Return the files in a folder by name with their sizes, bytes. Empty when it is not there."""
    try:
        if in_store(folder):
            store = _object(folder)
            listed = store.fs.ls(store.path, detail=True)
            return {entry["name"].rsplit("/", 1)[-1]: entry["size"] for entry in listed if entry["type"] == "file"}
        with os.scandir(folder) as entries:
            return {e.name: e.stat(follow_symlinks=False).st_size for e in entries if e.is_file(follow_symlinks=False)}
    except FileNotFoundError:
        return {}


def files_below(folder: Path, name: str) -> set[str]:
    """Return the relative paths of a store's objects called `name`. It is one listing, however many there are."""
    store = _object(folder)
    start = len(store.path.rstrip("/")) + 1
    return {key[start:] for key in store.fs.find(store.path) if key.rsplit("/", 1)[-1] == name}


def local_file(path: Path) -> Path:
    """Return a local file with a path's content: itself, or a cached copy. Some libraries read local files alone.

    A copy is kept by the object's address and entity tag, so that one that was replaced is fetched anew, and taken away when
    nobody asked for it in a month. Raises OSError.
    """
    if not in_store(path):
        return path
    store = _object(path)
    info = store.fs.info(store.path)
    mark = str(info.get("ETag") or info.get("etag") or info.get("LastModified") or info.get("mtime"))
    copy = cache_folder(path) / "objects" / f"{hashlib.sha256(f'{path} {mark}'.encode()).hexdigest()}{path.suffix}"
    if copy.is_file():
        note_use(copy)
    else:
        put_at_once(copy, path.read_bytes())
        drop_unused(copy.parent)
    return copy


def cache_folder(root: Path) -> Path:
    """Return the cache folder of an archive. It lies in the archive, or for a store on this machine.

    It may be deleted at any time.
    """
    if not in_store(root):
        return root / ".cache"
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return home / "snowtally" / hashlib.sha256(str(root.anchor or root).encode()).hexdigest()[:16]
