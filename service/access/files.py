"""Files that say who may call, watched while the service runs."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Generic, TypeVar

from service.observe import log, metrics
from service.settings import PREFIX, SettingsError

_LOOK_EVERY = 1.0

T = TypeVar("T")


class NobodyKnows(Exception):
    """The file could not be read since this process began: who may call cannot be told."""


class WatchedFile(Generic[T]):
    """What a file says, read again when the file changes; a change that cannot be used leaves what was there."""

    def __init__(self, path: Path, read: Callable[[bytes], T], name: str) -> None:
        """Raises SettingsError when the file cannot be used now."""
        self._path = path
        self._read = read
        self._name = name
        self._lock = threading.Lock()
        self._looked = time.monotonic()
        self._process = os.getpid()
        try:
            self._seen = self._look()
            self._value: T | None = read(path.read_bytes())
        except OSError:
            raise SettingsError([f"{PREFIX}{name} cannot be opened."]) from None
        except ValueError as error:
            raise SettingsError([f"{PREFIX}{name}: {error}."]) from None

    def _look(self) -> tuple[int, int, int]:
        found = self._path.stat()
        return found.st_mtime_ns, found.st_size, found.st_ino

    def value(self) -> T:
        """What holds now; the file is looked at once a second at most. Raises NobodyKnows."""
        with self._lock:
            now, process = time.monotonic(), os.getpid()
            forked, self._process = process != self._process, process
            if forked or now - self._looked >= _LOOK_EVERY:
                self._looked = now
                self._look_again(forked)
            if self._value is None:
                raise NobodyKnows
            return self._value

    def _look_again(self, forked: bool) -> None:
        try:
            seen = self._look()
            if seen != self._seen:
                self._seen = seen
                self._value = self._read(self._path.read_bytes())
                log.emit("info", "access-file-read", setting=self._name)
        except (OSError, ValueError) as error:
            if forked:
                # What the master read at its start may be older than what other workers hold: nobody is let in
                # by a key that has been taken away since.
                self._value = None
            metrics.file_not_read(self._name)
            log.emit("error", "access-file-not-read", setting=self._name, exception=type(error).__name__)
