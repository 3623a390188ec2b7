"""What one limb check shows that is not well: lost circulation, and the other signs of a strap that harms.

The signs are those of the neurovascular card: pulse, refill, color, warmth, feeling and movement. Altered feeling
is often the first (study notes, read at second hand).
"""

from __future__ import annotations

from typing import Any, NamedTuple

from service.episode import declaration, record
from service.episode.absence import Absent
from service.episode.member_names import MemberName

from .builder import scaled
from .timeline import Timeline

#: Tenths of a second over which a refill is looked at (2 s).
_REFILL = 20
#: Member of a check -> its words that are not well, the gravest first.
_ALTERED: dict[MemberName, tuple[str, ...]] = {
    "motor": ("absent", "reduced"),
    "sensation": ("absent", "reduced"),
    "skin": ("blue", "cold", "pale", "swollen", "broken"),
    "pulse": ("weak",),
}
_altered_of = declaration.getter(_ALTERED)
_shown_by = declaration.getter((*_ALTERED, "cap_refill_s", "cap_refill_other_side"))
_NOTHING = {
    "absent_pulse": False,
    "longer_than_other_side": False,
    "refill": 0,
    "function_lost": False,
    "skin_blue": False,
    "altered_signs": 0,
}
_GRAVE = frozenset({("motor", "absent"), ("sensation", "absent"), ("skin", "blue")})


class Found(NamedTuple):
    """What a check shows. ``gravity``: higher is worse. ``member``: where it stands. ``values``: attributes of the event."""

    gravity: int
    member: MemberName
    values: dict[str, int]


def circulation(check: record.LimbCheck) -> Found | None:
    """No pulse, a refill over 2 s (``refill`` in tenths of a second) or longer than on the other side; else None."""
    refill = 0 if type(check.cap_refill_s) is Absent else scaled(check.cap_refill_s, "s")
    absent, longer = check.pulse == "absent", check.cap_refill_other_side == "longer"
    if not (absent or longer or refill > _REFILL):
        return None
    member: MemberName = "pulse" if absent else "cap_refill_s" if refill > _REFILL else "cap_refill_other_side"
    return Found(
        refill, member, _NOTHING | {"absent_pulse": absent, "longer_than_other_side": longer, "refill": refill}
    )


def altered(check: record.LimbCheck, before: frozenset[tuple[str, str]]) -> Found | None:
    """Changed movement, feeling or skin, or a weak pulse; None without one. ``before``: what stood before the straps."""
    signs = [sign for sign in _signs(check) if sign not in before]
    if not signs:
        return None
    signs.sort(key=lambda sign: sign not in _GRAVE)
    grave = signs[0] in _GRAVE
    values = {
        "function_lost": any(sign in _GRAVE and sign[0] != "skin" for sign in signs),
        "skin_blue": ("skin", "blue") in signs,
        "altered_signs": len(signs),
    }
    return Found(len(signs) + len(_ALTERED) * grave, signs[0][0], _NOTHING | values)


class Shown:
    """Whether checks show anything that is not well; of those that read alike one is looked at."""

    def __init__(self) -> None:
        self._known: dict[tuple[Any, ...], bool] = {}

    def anything(self, check: record.LimbCheck) -> bool:
        """Whether a check has a sign, whatever stood before the straps."""
        alike = _shown_by(check)
        known = self._known.get(alike)
        if known is None:
            known = self._known[alike] = circulation(check) is not None or bool(_signs(check))
        return known


def _signs(check: record.LimbCheck) -> list[tuple[MemberName, str]]:
    signs = zip(_ALTERED.items(), _altered_of(check), strict=True)
    return [(name, value) for (name, words), value in signs if value in words]


def before_straps(line: Timeline, limb: str, own: list[tuple[int, record.LimbCheck]]) -> frozenset[tuple[str, str]]:
    """What the last check of a limb before its straps showed: an old palsy is no harm of this restraint."""
    part = line.limbs.get(limb)
    if part is None or not part.known or not part.spans:
        return frozenset()
    found = [check for time, check in own if time < part.spans[0][0]]
    return frozenset(_signs(found[-1])) if found else frozenset()
