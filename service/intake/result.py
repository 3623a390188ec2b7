"""What a reader of any format hands on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.episode import record


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A finding the caller has looked at and accepted, with a reason; ``by``: an opaque id, ``at``: RFC 3339."""

    fingerprint: str
    reason: str
    by: str | None = None
    at: str | None = None


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that the caller should know about how the body was read. ``pointer`` resolves in that body."""

    code: str
    detail: str
    pointer: str = ""


@dataclass(frozen=True, slots=True)
class Intake:
    """What a reader of any format hands on.

    ``digest``: ``v1:`` and the SHA-256 of the canonical JSON, without
    ``accepted``. ``language``: how places in the document that was sent are
    told: ``pointer`` (RFC 6901), ``fhirpath`` or ``xpath``. For the last two
    ``places`` maps pointers of our episode to expressions that resolve in
    that document; ``""`` is always among them. ``unread``: pointers of our
    episode to vital signs that were sent and cannot be read.
    """

    episode: record.Episode
    accepted: tuple[Acceptance, ...]
    notices: tuple[Notice, ...]
    digest: str
    language: str = "pointer"
    places: Mapping[str, str] = field(default_factory=dict)
    unread: tuple[str, ...] = ()

    def locate(self, pointer: str) -> str:
        """Where a place of our episode stands in the document that was sent: itself, else the nearest place around it."""
        if self.language == "pointer":
            return pointer
        while pointer and pointer not in self.places:
            pointer = pointer.rsplit("/", 1)[0]
        return self.places[pointer]
