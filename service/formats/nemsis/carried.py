"""What NEMSIS v3.5, without custom elements, has no place for or only an optional one.

Stated for every chart as ``not_collected``, member by member, unless an
element or a mapped custom element brought the member. Elements whose usage is
Mandatory, Required or Recommended are not here: left blank, they are missing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.formats.member_paths import EVERY_PATH, brought, everything_below

#: Member paths; a path stands for all that is below it, too.
NOT_CARRIED = (
    "/patient/weight_basis",
    "/patient/pregnant",
    "/patient/gestation_weeks",
    "/patient/oxygen_target",
    "/patient/substances/*/id",
    "/patient/communication_need_met",
    "/patient/guardian_told",
    "/decision",
    "/team/members/*/roles",
    "/team/plan_told",
    "/team/takedown",
    "/team/protective_equipment",
    "/team/fewer_reason",
    "/stretcher",
    "/application",
    "/postures",
    "/sedation/airway_ready",
    "/sedation/doses/*/ordered_by",
    "/sedation/doses/*/requested_by",
    "/sedation/doses/*/reason",
    "/sedation/doses/*/mixed_with",
    "/sedation/not_given",
    "/monitoring/vitals/*/etco2_waveform",
    "/monitoring/vitals/*/glucose_reading",
    "/monitoring/vitals/*/agitation_scale",
    "/monitoring/vitals/*/agitation_score",
    "/monitoring/vitals/*/qtc_ms",
    "/monitoring/vitals/*/oxygen",
    "/monitoring/vitals/*/oxygen_l_min",
    "/monitoring/limb_checks",
    "/monitoring/breathing_checks",
    "/monitoring/capnography",
    "/monitoring/oximetry",
    "/monitoring/ecg",
    "/monitoring/observation",
    "/monitoring/actions",
    "/monitoring/events",
    "/reassessments",
    "/custody",
    "/transport/facility_told",
    "/transport/facility_told_time",
    "/handover/receiver_role",
    "/handover/receiver_identified",
    "/handover/restraint_state",
    "/handover/removed_time",
    "/handover/limb_status",
    "/handover/told",
    "/handover/accepted",
    "/injuries",
    "/chart",
)

#: The same with everything below, one path a member; late entries are no member of their own here.
EVERY_NOT_CARRIED = tuple(path for path in everything_below(NOT_CARRIED) if not path.endswith("/entered"))


def left(value: dict[str, Any], mapped: Iterable[str]) -> list[str]:
    """The paths of the table that neither this chart nor its custom elements (``mapped``: their paths) have a place for."""
    places = set(mapped)
    for path in tuple(places):
        # Who has a place for a member has one for the objects around it.
        while "/" in path[1:]:
            path = path.rpartition("/")[0]
            places.add(path.removesuffix("/*"))
    places |= brought(value)
    return [path for path in EVERY_NOT_CARRIED if path not in places]


def known(paths: Iterable[str]) -> list[str]:
    """Of paths that a document lists, those of members that can be left out."""
    return [path for path in dict.fromkeys(paths) if path in EVERY_PATH and not path.endswith("/entered")]
