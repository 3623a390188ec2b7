"""What every reader does with what it finds: one check of bounds, notices with their places, and what was sent unreadable."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from service.episode import declaration, record
from service.formats.locations import Located, Locations
from service.formats.values import takes
from service.intake.result import Intake, Notice

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


#: Code of a notice that several readers have -> what the caller reads.
SHARED_DETAILS = {
    "unusable-time": "This is no date and time with an offset; the record cannot tell it.",
    "out-of-bounds": "This value is outside its physical range or not of its kind; the record cannot tell it.",
    "unknown-drug": "This drug is not recognized and may be a sedative; read as another drug. Send the RxNorm ingredient.",
    "drug-left-aside": "This drug plays no part in the review and was not used.",
    "not-successful": "Charted as not successful: a restraint that failed is none, and what failed answers no danger.",
    "no-stretch": "A point in time is no stretch of monitoring; it was not used.",
    "item-not-readable": "This lacks what says which thing it is, and was not used.",
    "duplicate-id": "Another item of the list has the same id; this one is read without its id.",
}


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

    def finished(self, intake: Intake, places: Mapping[str, Located], language: str, digest: str) -> Intake:
        """The intake with all notices, and every place as one in the document. ``places``: JSON Pointer -> element."""
        unread = tuple(self.unread)
        placed = replace(intake, language=language, places=Locations(places), digest=digest, unread=unread)
        told = [replace(each, pointer=placed.locate(each.pointer)) for each in intake.notices]
        return replace(placed, notices=(*told, *self.notices()))

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

    def fitting(self, cls: type, member: declaration.Member, value: Any, el: Located) -> Any:
        """The value where the member can have it, else ``CANNOT_TELL``, with a notice at the element."""
        if takes(cls, member.name, value):
            return value
        self.notice("unusable-time" if isinstance(member.kind, declaration.Time) else "out-of-bounds", el.at)
        return CANNOT_TELL
