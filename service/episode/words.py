"""Closed sets of words that more than one module uses."""

from __future__ import annotations

SIDES = ("left", "right")
SITES = ("wrist", "forearm", "hand", "ankle", "thigh", "foot", "torso")
LIMBS = ("right_arm", "left_arm", "right_leg", "left_leg")
#: Where a restraint can be, and what one limb check can be about.
BODY_PARTS = (*LIMBS, "torso")
CHECKED = (*LIMBS, "all")

#: Ingredients by their RxNorm names; codes are in ``service.episode.drugs``.
DRUGS = (
    "midazolam",
    "lorazepam",
    "diazepam",
    "ketamine",
    "droperidol",
    "haloperidol",
    "olanzapine",
    "ziprasidone",
    "risperidone",
    "diphenhydramine",
    "dexmedetomidine",
    "chlorpromazine",
    "promethazine",
    "hydroxyzine",
    "fentanyl",
    "morphine",
    "hydromorphone",
    "other",
)
ROUTES = ("im", "iv", "io", "in", "po", "odt", "sl", "pr", "other")
DOSE_UNITS = ("g", "mg", "ug", "mL", "mg/kg", "ug/kg")
SERVICES = ("ems", "fire", "law_enforcement", "hospital", "family", "bystander", "other")
LEVELS = ("emr", "emt", "aemt", "paramedic", "nurse", "physician", "none", "other")
POSTURES = (
    "supine",
    "semi_fowler",
    "fowler",
    "seated",
    "left_lateral",
    "right_lateral",
    "prone",
    "hobbled",
    "sandwiched",
    "kneeling",
    "standing",
    "other",
)
EVENTS = (
    "suddenly_quiet",
    "stopped_struggling",
    "struggling",
    "breathing_complaint",
    "vomiting",
    "bleeding",
    "seizure",
    "apnoea",
    "laryngospasm",
    "arrest",
    "equipment_failure",
    "limb_complaint",
    "left_unattended",
    "fall",
    "anchor_changed",
    "stretcher_changed",
)
ACTIONS = (
    "oxygen_given",
    "airway_opened",
    "suction",
    "turned_to_side",
    "head_raised",
    "ventilated",
    "airway_device",
    "stimulated",
    "reversal_given",
    "fluid",
    "posture_changed",
    "vasopressor",
    "dextrose",
    "glucagon",
    "oral_sugar",
    "cooling",
    "warming",
    "loosened",
    "moved",
    "removed",
    "face_cover_removed",
    "restraints_removed",
    "cpr",
    "defibrillation",
    "pacing",
    "bronchodilator",
    "magnesium",
    "drug_for_adverse_effect",
    "other",
)
#: Section names in story order.
SECTIONS = (
    "patient",
    "decision",
    "team",
    "stretcher",
    "application",
    "postures",
    "sedation",
    "monitoring",
    "reassessments",
    "custody",
    "transport",
    "handover",
    "injuries",
    "narrative",
    "chart",
)
