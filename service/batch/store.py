"""Where files lie: this machine's disks, or anything fsspec reaches (``s3://``, ``gs://``, ``abfs://``, ``file://``).

Reviews are protected health information: on a disk everything is written for
its owner alone, and a file has its name only when it is whole.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Protocol


class Store(Protocol):
    """What the batch asks of a place for files. Paths are strings; a missing file raises OSError."""

    def size(self, path: str) -> int:
        """Length in bytes."""

    def open(self, path: str) -> contextlib.AbstractContextManager[BinaryIO]:
        """For reading, from the start; can seek."""

    def write(self, path: str) -> contextlib.AbstractContextManager[BinaryIO]:
        """A new file that has its name only when the block ends without an exception."""

    def exists(self, path: str) -> bool:
        """Whether a whole file has this name."""

    def remove(self, path: str) -> None:
        """Take a file away."""

    def folder(self, path: str) -> None:
        """Make a folder with all above it."""


class Disk:
    """Files of this machine."""

    def size(self, path: str) -> int:
        """Length in bytes."""
        return os.stat(path).st_size

    @contextlib.contextmanager
    def open(self, path: str) -> Iterator[BinaryIO]:
        """For reading."""
        with Path(path).open("rb") as stream:
            yield stream

    @contextlib.contextmanager
    def write(self, path: str) -> Iterator[BinaryIO]:
        """Written beside its name under one of its own process, then renamed."""
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
        """Whether it is there."""
        return Path(path).is_file()

    def remove(self, path: str) -> None:
        """Take it away."""
        Path(path).unlink()

    def folder(self, path: str) -> None:
        """For its owner alone."""
        Path(path).mkdir(mode=0o700, parents=True, exist_ok=True)


class Remote:
    """Files behind an URL. Needs the extra ``dask``, which brings fsspec; each protocol has a package of its own."""

    def _at(self, path: str) -> tuple[Any, str]:
        from fsspec.core import url_to_fs  # type: ignore[import-not-found,import-untyped,unused-ignore]

        system, inside = url_to_fs(path)
        return system, inside

    def size(self, path: str) -> int:
        """Length in bytes."""
        system, inside = self._at(path)
        return int(system.size(inside))

    @contextlib.contextmanager
    def open(self, path: str) -> Iterator[BinaryIO]:
        """For reading by ranges."""
        system, inside = self._at(path)
        with system.open(inside, "rb") as stream:
            yield stream

    @contextlib.contextmanager
    def write(self, path: str) -> Iterator[BinaryIO]:
        """Written under another name, then moved: true of object stores and of disks alike."""
        system, inside = self._at(path)
        partial = f"{inside}.{os.getpid()}.partial"
        with system.open(partial, "wb") as stream:
            yield stream
        system.mv(partial, inside)

    def exists(self, path: str) -> bool:
        """Whether it is there."""
        system, inside = self._at(path)
        return bool(system.isfile(inside))

    def remove(self, path: str) -> None:
        """Take it away."""
        system, inside = self._at(path)
        system.rm_file(inside)

    def folder(self, path: str) -> None:
        """Object stores have none, and say nothing when asked for one."""
        system, inside = self._at(path)
        system.makedirs(inside, exist_ok=True)


def is_remote(path: str) -> bool:
    """Whether a path is an URL."""
    return "://" in path


def store_of(path: str) -> Store:
    """The store that a path belongs to."""
    return Remote() if is_remote(path) else Disk()


def join(folder: str, name: str) -> str:
    """A name inside a folder, of either kind."""
    return f"{folder.rstrip('/')}/{name}" if folder != "/" else f"/{name}"
