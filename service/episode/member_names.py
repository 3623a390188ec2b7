"""Every name that a member of the record has, as a type: a misspelled one does not pass the type check."""

from __future__ import annotations

from typing import Literal

#: A test holds them against the declared members.
MemberName = Literal[
    "accepted", "action", "actions", "acvpu", "adverse_effects", "age", "agitation_scale", "agitation_score", "airway",
    "airway_ready", "allergies", "alternatives", "amendments", "anchor", "application", "applied_by",
    "arms_behind_back", "arrived", "at_patient", "attendants", "attended_by", "author_level", "authority",
    "authority_confirmed_by", "basis", "before_care", "behaviour", "behaviours", "belts", "body_weight", "bp_method",
    "brakes", "breathing", "breathing_checks", "buckle_reach", "by", "call", "cap_refill_other_side", "cap_refill_s",
    "capacity", "capacity_basis", "capnography", "care", "cause", "causes", "chart", "checked_by", "chest_free",
    "cleaned", "closed", "communication_need", "communication_need_met", "communication_needs", "completed",
    "complication", "complications", "concentration_mg_ml", "conditions", "consent", "contacted", "cover", "crew",
    "cross_check", "custody", "cycles", "danger_to", "dbp", "death", "decision", "departed", "device", "devices",
    "died", "director_review_requested", "done", "dose", "doses", "drug", "ecg", "effect", "end", "ended",
    "energy_weapon", "entered", "episode_ref", "etco2_mmhg", "etco2_waveform", "event", "events", "evidence",
    "explained", "face_covers", "facility_told", "facility_told_time", "fastening", "fewer_reason", "fit", "gcs_eye",
    "gcs_motor", "gcs_total", "gcs_verbal", "gestation_weeks", "given_by", "glucose_mg_dl", "glucose_reading",
    "guardian_answer", "guardian_told", "handover", "head_elevation_deg", "head_released", "height", "highest_level",
    "holds", "hospital_told", "how", "hr", "id", "in_custody", "injuries", "interpreter", "irritant", "joint_range",
    "key_at_hand", "kind", "law_enforcement_present", "left", "level", "limb_checks", "limb_position", "limb_status",
    "limbs", "limbs_in_view", "longest_cycle_s", "measure", "medical_direction", "members", "mixed_with", "monitoring",
    "motor", "movement", "narrative", "not_done", "not_given", "observation", "off", "off_reason", "officer",
    "officer_spans", "on", "opened", "ordered_by", "others", "outcome", "oximetry", "oxygen", "oxygen_l_min",
    "oxygen_target", "padded", "part", "path", "patient", "person", "place", "plan_told", "posture", "postures",
    "pregnant", "probe_site", "probes", "protective_equipment", "pulse", "qtc_ms", "rails", "ready_before", "reason",
    "reasons", "reassessments", "receiver_identified", "receiver_role", "removed_time", "replaced", "requested_by",
    "restraint_state", "result", "rhythm", "roles", "route", "rr", "sbp", "search", "seat", "sedation", "sensation",
    "sent_from", "sequence", "service", "sex", "side", "site", "skin", "skin_at_removal", "spo2", "start", "started",
    "stretcher", "substance", "substances", "takedown", "taken_over", "team", "temperature_c", "time", "told",
    "torso_harness", "transport", "transported", "unit", "used", "value", "vitals", "weapons", "weight_basis",
    "weight_kg", "when", "words",
]  # fmt: skip
