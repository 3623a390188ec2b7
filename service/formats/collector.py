"""What every reader does with what it finds: one check of bounds, notices with their places, and what was sent unreadable."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, Protocol

from service.episode import declaration, record
from service.formats.values import takes
from service.intake.result import Notice

#: The most notices of one code; one more says how many were left out.
MOST_OF_A_CODE = 20
#: In place of a value that is charted and cannot be read: neither a value nor missing.
CANNOT_TELL = {"absent": "not_collected"}
#: Members of a set that are vital signs: one that was sent and cannot be read is told beside the findings.
VITAL_SIGNS = frozenset(
    {
        "hr", "rr", "spo2", "etco2_mmhg", "sbp", "dbp", "temperature_c", "glucose_mg_dl", "gcs_eye", "gcs_verbal",
        "gcs_motor", "gcs_total", "acvpu", "agitation_score", "rhythm",
    }
)  # fmt: skip


class HasPlace(Protocol):
    """An element that knows its place in the document."""

    @property
    def at(self) -> str:
        """Put together when it is asked for."""
        ...


class Collector:
    """Notices of one document, and the vital signs in it that cannot be read.

    ``details``: code of a notice -> what the caller reads. ``whole``: the place of the document.
    """

    def __init__(self, details: Mapping[str, str], whole: str) -> None:
        self._details, self._whole = details, whole
        self._notices: list[Notice] = []
        self._told: Counter[str] = Counter()
        self._seen: set[tuple[str, str]] = set()
        #: (id of what is being read of a set, member).
        self._unread: set[tuple[int, str]] = set()
        #: Pointers into the episode, once it is put together.
        self.unread: list[str] = []

    def notice(self, code: str, at: str) -> None:
        """Add a notice, each place of a code once. ``at``: in the language of the document."""
        if (code, at) in self._seen:
            return
        self._seen.add((code, at))
        self._told[code] += 1
        if self._told[code] <= MOST_OF_A_CODE:
            self._notices.append(Notice(code, self._details[code], at))

    def notices(self) -> tuple[Notice, ...]:
        """All notices; for a code with too many one more says how many were left out."""
        more = [
            Notice(code, f"{self._details[code]} This holds for {n - MOST_OF_A_CODE} more places.", self._whole)
            for code, n in sorted(self._told.items())
            if n > MOST_OF_A_CODE
        ]
        return (*self._notices, *more)

    def misread(self, found: Any, name: str) -> None:
        """Note that a member of an object was sent and cannot be read."""
        if found.cls is record.VitalSet and name in VITAL_SIGNS:
            self._unread.add((id(found), name))

    def tell_unread(self, found: Any, pointer: str) -> None:
        """Note where the object stands in the episode."""
        if self._unread and found.cls is record.VitalSet:
            self.unread += [
                f"{pointer}/{name}"
                for name, value in found.data.items()
                if value == CANNOT_TELL and (id(found), name) in self._unread
            ]

    def fitting(self, cls: type, member: declaration.Member, value: Any, el: HasPlace) -> Any:
        """The value where the member can have it, else ``CANNOT_TELL``, with a notice at the element."""
        if takes(cls, member.name, value):
            return value
        self.notice("unusable-time" if isinstance(member.kind, declaration.Time) else "out-of-bounds", el.at)
        return CANNOT_TELL
