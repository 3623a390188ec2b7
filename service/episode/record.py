"""The episode as a whole, its sections in the order of events, and all classes of the record by one name.

Only what says which thing an item is is required; everything else may be left
out and is then ``MISSING``. Units are fixed by the name of a member. Bounds
are physical ones (NEMSIS v3.5.1 element bounds, ranges of the published
scales): outside them a record cannot be read, inside them nothing is refused.
"""

from __future__ import annotations

from .closing import Amendment, Chart, Complication, Death, EndOfCare, Handover, Injuries, Injury, Transport
from .common import V
from .custody import Custody, EnergyWeapon, FaceCover, Irritant, OfficerSpan, PoliceDevice, Search
from .decision import Alternative, Behaviour, Cause, Decision, MedicalDirection
from .declaration import Ident, Items, Node, Part, Text, member
from .monitoring import (
    Action,
    BreathingCheck,
    Event,
    LimbCheck,
    Monitoring,
    MonitorSpan,
    ObservationSpan,
    Reassessment,
    VitalSet,
)
from .patient import Age, Patient, Substance
from .restraint import (
    Application,
    Belt,
    BodyWeight,
    CrossCheck,
    Hold,
    LimbRestraint,
    Person,
    Posture,
    Stretcher,
    Takedown,
    Team,
)
from .sedation import Dose, NotGiven, Sedation

__all__ = (
    "Age",
    "Substance",
    "Patient",
    "Behaviour",
    "Alternative",
    "Cause",
    "MedicalDirection",
    "Decision",
    "Person",
    "Takedown",
    "Team",
    "Belt",
    "Stretcher",
    "LimbRestraint",
    "Hold",
    "BodyWeight",
    "CrossCheck",
    "Application",
    "Posture",
    "Dose",
    "NotGiven",
    "Sedation",
    "VitalSet",
    "LimbCheck",
    "BreathingCheck",
    "MonitorSpan",
    "ObservationSpan",
    "Action",
    "Event",
    "Monitoring",
    "Reassessment",
    "PoliceDevice",
    "EnergyWeapon",
    "Irritant",
    "FaceCover",
    "Search",
    "OfficerSpan",
    "Custody",
    "EndOfCare",
    "Transport",
    "Handover",
    "Injury",
    "Complication",
    "Death",
    "Injuries",
    "Amendment",
    "Chart",
    "Episode",
)


class Episode(Node):
    """The whole record."""

    episode_ref: str = member(Ident("The caller's own reference; no patient identifier."), required=True)
    patient: V[Patient] = member(Part("The patient.", of=Patient))
    decision: V[Decision] = member(Part("The decision.", of=Decision))
    team: V[Team] = member(Part("The team.", of=Team))
    stretcher: V[Stretcher] = member(Part("The stretcher.", of=Stretcher))
    application: V[Application] = member(Part("The application.", of=Application))
    postures: V[tuple[Posture, ...]] = member(Items("Postures.", of=Posture, may_be_none=True))
    sedation: V[Sedation] = member(Part("Sedation.", of=Sedation, may_be_none=True))
    monitoring: V[Monitoring] = member(Part("Monitoring.", of=Monitoring))
    reassessments: V[tuple[Reassessment, ...]] = member(
        Items("Looks at continuing need.", of=Reassessment, may_be_none=True)
    )
    custody: V[Custody] = member(Part("Law enforcement.", of=Custody, may_be_none=True))
    transport: V[Transport] = member(Part("Transport.", of=Transport))
    handover: V[Handover] = member(Part("Transfer of care.", of=Handover))
    injuries: V[Injuries] = member(Part("Injuries, complications, death.", of=Injuries, may_be_none=True))
    narrative: V[str] = member(Text("Free text; searched for families of wordings only.", 20000))
    chart: V[Chart] = member(Part("The chart.", of=Chart))
