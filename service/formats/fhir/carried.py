"""What plain FHIR R4, without the profile that we suggest, has no place for.

Every chart gets these members as ``not_collected``, except those that a code or
an extension of the profile brought. Where FHIR has only free text for a member
it counts as no place: text is not interpreted.
"""

from __future__ import annotations

from typing import Any

from service.formats.member_paths import brought, everything_below

#: Member paths; each stands for all below it too.
NOT_CARRIED = (
    "/patient/oxygen_target",
    "/patient/substances",
    "/patient/communication_need",
    "/patient/communication_needs",
    "/patient/interpreter",
    "/patient/communication_need_met",
    "/patient/guardian_told",
    "/decision/time",
    "/decision/danger_to",
    "/decision/capacity",
    "/decision/capacity_basis",
    "/decision/consent",
    "/decision/guardian_answer",
    "/decision/explained",
    "/decision/alternatives",
    "/decision/causes",
    "/decision/authority",
    "/decision/authority_confirmed_by",
    "/decision/medical_direction/outcome",
    "/decision/medical_direction/entered",
    "/team/members/*/service",
    "/team/members/*/roles",
    "/team/highest_level",
    "/team/plan_told",
    "/team/takedown",
    "/team/protective_equipment",
    "/team/fewer_reason",
    "/stretcher",
    "/application/started",
    "/application/completed",
    "/application/sequence",
    "/application/body_weight",
    "/application/cross_check",
    "/application/head_released",
    "/application/limbs/*/taken_over",
    "/application/limbs/*/off_reason",
    "/application/limbs/*/anchor",
    "/application/limbs/*/fastening",
    "/application/limbs/*/limb_position",
    "/application/limbs/*/joint_range",
    "/application/limbs/*/movement",
    "/application/limbs/*/fit",
    "/application/limbs/*/padded",
    "/application/limbs/*/checked_by",
    "/application/limbs/*/skin_at_removal",
    "/postures/*/head_elevation_deg",
    "/postures/*/arms_behind_back",
    "/postures/*/care",
    "/postures/*/reason",
    "/sedation/airway_ready",
    "/sedation/doses/*/concentration_mg_ml",
    "/sedation/doses/*/ordered_by",
    "/sedation/doses/*/requested_by",
    "/sedation/doses/*/mixed_with",
    "/monitoring/vitals/*/before_care",
    "/monitoring/vitals/*/etco2_waveform",
    "/monitoring/vitals/*/bp_method",
    "/monitoring/limb_checks/*/cap_refill_other_side",
    "/monitoring/breathing_checks/*/airway",
    "/monitoring/observation",
    "/monitoring/actions",
    "/monitoring/events",
    "/reassessments",
    "/custody",
    "/transport/call",
    "/transport/sent_from",
    "/transport/attendants",
    "/transport/attended_by",
    "/transport/facility_told",
    "/transport/facility_told_time",
    "/transport/ended",
    "/handover/receiver_role",
    "/handover/receiver_identified",
    "/handover/restraint_state",
    "/handover/removed_time",
    "/handover/limb_status",
    "/handover/told",
    "/handover/accepted",
    "/handover/entered",
    "/injuries/crew",
    "/injuries/others",
    "/injuries/patient/*/person",
    "/injuries/patient/*/side",
    "/injuries/patient/*/site",
    "/injuries/patient/*/when",
    "/injuries/death/hospital_told",
    "/injuries/death/entered",
    "/chart/opened",
    "/chart/author_level",
    "/chart/amendments",
    "/chart/director_review_requested",
)


#: The same with every path below them.
EVERY_NOT_CARRIED = everything_below(NOT_CARRIED)


def left(value: dict[str, Any]) -> list[str]:
    """The paths of the table that nothing in this episode brought."""
    held = brought(value)
    return [path for path in EVERY_NOT_CARRIED if path not in held]
