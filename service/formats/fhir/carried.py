"""What plain FHIR R4, as systems send it by US Core, has no place for, without the profile that we suggest.

Every chart gets these members as ``not_collected``; a value that a code or an
extension of the profile brings all the same counts. Where FHIR has only free
text for a member it counts as no place: text is not interpreted.
"""

from __future__ import annotations

from service.formats.member_paths import everything_below

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
    "/decision/medical_direction",
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
    "/application/limbs/*/device",
    "/application/limbs/*/applied_by",
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
    "/postures",
    "/sedation/airway_ready",
    "/sedation/doses/*/concentration_mg_ml",
    "/sedation/not_given",
    "/sedation/doses/*/effect",
    "/sedation/doses/*/adverse_effects",
    "/sedation/doses/*/ordered_by",
    "/sedation/doses/*/requested_by",
    "/sedation/doses/*/mixed_with",
    "/monitoring/vitals/*/before_care",
    "/monitoring/vitals/*/etco2_waveform",
    "/monitoring/vitals/*/bp_method",
    "/monitoring/vitals/*/agitation_scale",
    "/monitoring/vitals/*/agitation_score",
    "/monitoring/vitals/*/qtc_ms",
    "/monitoring/limb_checks",
    "/monitoring/breathing_checks",
    "/monitoring/capnography",
    "/monitoring/oximetry",
    "/monitoring/ecg",
    "/monitoring/observation",
    "/monitoring/actions/*/side",
    "/monitoring/actions/*/site",
    "/monitoring/events",
    "/reassessments",
    "/custody",
    "/transport",
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
    "/injuries/patient",
    "/injuries/complications",
    "/injuries/death/hospital_told",
    "/injuries/death/entered",
    "/chart",
)


#: The same with every path below them.
EVERY_NOT_CARRIED = everything_below(NOT_CARRIED)


def left() -> list[str]:
    """The paths of the table, whatever this Bundle holds: a value that comes all the same counts."""
    return list(EVERY_NOT_CARRIED)
