"""What NEMSIS v3.5, without custom elements, has no place for, or only an optional one.

Every chart gets these members as ``not_collected``, except those for which a
mapped custom element has a place; a value that comes all the same counts. Members with an element whose usage
is Mandatory, Required or Recommended are not here: left blank, they are missing.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.formats.member_paths import everything_below
from service.intake.not_collected import PATHS

#: Member paths; each stands for all below it too.
NOT_CARRIED = (
    "/patient/weight_basis",
    "/patient/pregnant",
    "/patient/gestation_weeks",
    "/patient/oxygen_target",
    "/patient/substances/*/id",
    "/patient/communication_needs",
    "/patient/interpreter",
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
    "/sedation/doses/*/concentration_mg_ml",
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
    "/monitoring/actions/*/end",
    "/monitoring/actions/*/by",
    "/monitoring/actions/*/side",
    "/monitoring/actions/*/site",
    "/monitoring/events",
    "/reassessments",
    "/custody",
    "/transport/call",
    "/transport/sent_from",
    "/transport/attended_by",
    "/transport/ended/time",
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

#: The same with every path below them, but ``entered``, about which no rule asks.
EVERY_NOT_CARRIED = tuple(path for path in everything_below(NOT_CARRIED) if not path.endswith("/entered"))


def left(mapped: Iterable[str]) -> list[str]:
    """The paths of the table for which no custom element has a place, whatever this chart holds.

    ``mapped``: the paths into which its custom elements are mapped.
    """
    places = set(mapped)
    for path in tuple(places):
        # A place for a member is a place for the objects around it.
        while "/" in path[1:]:
            path = path.rpartition("/")[0]
            places.add(path.removesuffix("/*"))
    return [path for path in EVERY_NOT_CARRIED if path not in places]


def known(paths: Iterable[str]) -> list[str]:
    """Those of the paths that a document lists as not collected that are paths of members that may be left out."""
    return [path for path in dict.fromkeys(paths) if path in PATHS and not path.endswith("/entered")]
