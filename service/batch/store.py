"""Files on this machine's disks, or where fsspec reaches them (``s3://``, ``gs://``, ``abfs://``, ``file://``).

Reviews are protected health information: on a disk only the owner can read what
is written. A file gets its name only when it is complete.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Protocol


class Store(Protocol):
    """A place for files. Every method raises OSError for a file that is not there or cannot be used."""

    def size(self, path: str) -> int:
        """Length in bytes."""

    def open(self, path: str) -> contextlib.AbstractContextManager[BinaryIO]:
        """Open for reading, from the start; the stream can seek."""

    def write(self, path: str) -> contextlib.AbstractContextManager[BinaryIO]:
        """Open a new file, which gets its name when the block ends without an exception."""

    def exists(self, path: str) -> bool:
        """Whether there is a complete file of this name."""

    def folder(self, path: str) -> None:
        """Make a folder and those above it, where they are not there."""


class Disk:
    """Files of this machine."""

    def size(self, path: str) -> int:
        """Length in bytes."""
        return os.stat(path).st_size

    @contextlib.contextmanager
    def open(self, path: str) -> Iterator[BinaryIO]:
        """Open for reading."""
        with Path(path).open("rb") as stream:
            yield stream

    @contextlib.contextmanager
    def write(self, path: str) -> Iterator[BinaryIO]:
        """Open a new file under a name with the process id; it is renamed when the block ends."""
        partial = f"{path}.{os.getpid()}.partial"
        try:
            with os.fdopen(os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(partial, path)
        except BaseException:
            Path(partial).unlink(missing_ok=True)
            raise

    def exists(self, path: str) -> bool:
        """Whether there is a complete file of this name."""
        return Path(path).is_file()

    def folder(self, path: str) -> None:
        """Make a folder that only its owner can read."""
        Path(path).mkdir(mode=0o700, parents=True, exist_ok=True)


class Remote:
    """Files behind an URL. Needs the extra ``dask``, which brings fsspec; each protocol has a package of its own."""

    def _at(self, path: str) -> tuple[Any, str]:
        from fsspec.core import url_to_fs  # type: ignore[import-not-found,import-untyped,unused-ignore]

        return url_to_fs(path)  # type: ignore[no-any-return,unused-ignore]

    def size(self, path: str) -> int:
        """Length in bytes."""
        system, inside = self._at(path)
        return int(system.size(inside))

    @contextlib.contextmanager
    def open(self, path: str) -> Iterator[BinaryIO]:
        """Open for reading; ranges are fetched as they are read."""
        system, inside = self._at(path)
        with system.open(inside, "rb") as stream:
            yield stream

    @contextlib.contextmanager
    def write(self, path: str) -> Iterator[BinaryIO]:
        """Open a new file under another name; it is moved when the block ends, as object stores can do too."""
        system, inside = self._at(path)
        partial = f"{inside}.{os.getpid()}.partial"
        with system.open(partial, "wb") as stream:
            yield stream
        system.mv(partial, inside)

    def exists(self, path: str) -> bool:
        """Whether there is a complete file of this name."""
        system, inside = self._at(path)
        return bool(system.isfile(inside))

    def folder(self, path: str) -> None:
        """Make a folder; object stores have none and ignore this."""
        system, inside = self._at(path)
        system.makedirs(inside, exist_ok=True)


def is_remote(path: str) -> bool:
    """Whether a path is an URL."""
    return "://" in path


def store_of(path: str) -> Store:
    """The store of a path or URL."""
    return Remote() if is_remote(path) else Disk()


def join(folder: str, name: str) -> str:
    """The path or URL of a name inside a folder."""
    return f"{folder.rstrip('/')}/{name}" if folder != "/" else f"/{name}"
