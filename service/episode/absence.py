"""What stands in the record where a value is not there, and why it is not."""

from __future__ import annotations

from typing import Any, ClassVar, NoReturn, final

#: Reason codes for a value that was attempted, ruled out or unsafe.
DECLINED_REASONS = (
    "unsafe_to_attempt",
    "patient_refused",
    "unable_to_obtain",
    "ruled_out",
    "not_indicated",
    "contraindicated",
    "equipment_unavailable",
    "equipment_failed",
    "out_of_scope",
    "other",
)


@final
class Absent:
    """Stands in place of a value that is not there. ``state``: missing, not_collected or declined.

    ``reason``: one of ``DECLINED_REASONS`` for declined, else None. There is
    one object for each state and reason, so that comparing two is comparing
    identities. ``epoch`` is None, so that a time can be asked for its seconds
    whether it is there or not. A section's members are absent with it: where
    ``episode.transport`` is an Absent, ``episode.transport.departed`` is the same one.
    """

    __slots__ = ("reason", "state")
    state: str
    reason: str | None
    epoch: ClassVar[None] = None
    #: Names of the members of all sections; their declaration adds them.
    of_sections: ClassVar[set[str]] = set()
    _known: ClassVar[dict[tuple[str, str | None], Absent]] = {}

    def __new__(cls, state: str, reason: str | None = None) -> Absent:
        """The one for this state and reason."""
        known = cls._known.get((state, reason))
        if known is None:
            known = super().__new__(cls)
            object.__setattr__(known, "state", state)
            object.__setattr__(known, "reason", reason)
            known = cls._known.setdefault((state, reason), known)
        return known

    def __getattr__(self, name: str) -> Absent:
        if name not in self.of_sections:
            raise AttributeError(name)
        return self

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise AttributeError(name)

    def __reduce__(self) -> tuple[type[Absent], tuple[str, str | None]]:
        return Absent, (self.state, self.reason)

    def __repr__(self) -> str:
        return f"Absent({self.state!r}, {self.reason!r})"

    def __bool__(self) -> bool:
        return False


MISSING = Absent("missing")
NOT_COLLECTED = Absent("not_collected")


class Partial(tuple[Any, ...]):
    """A list of which the sender's system has no place, with the items that came all the same: others are not missing."""

    __slots__ = ()
