"""Published scores and limits, computed from the readings of one set of vital signs; tables with their sources."""

from __future__ import annotations

from bisect import bisect_right

from service.episode.absence import Absent

# NEWS2, Royal College of Physicians 2017, Chart 1. Bands as (first value of the band, points).
_RR = ((0, 3), (9, 1), (12, 0), (21, 2), (25, 3))
_SPO2_1 = ((0, 3), (92, 2), (94, 1), (96, 0))
_SPO2_2_LOW = ((0, 3), (84, 2), (86, 1), (88, 0))
_SPO2_2_OXYGEN = ((0, 3), (84, 2), (86, 1), (88, 0), (93, 1), (95, 2), (97, 3))
_SBP = ((0, 3), (91, 2), (101, 1), (111, 0), (220, 3))
_HR = ((0, 3), (41, 1), (51, 0), (91, 1), (111, 2), (131, 3))
#: In tenths of a degree Celsius.
_TEMPERATURE = ((0, 3), (351, 1), (361, 0), (381, 1), (391, 2))

#: SIPA upper limits by age in years, in hundredths (Acker 2015); none below 4.
_SIPA = ((4, 122), (7, 100), (13, 90))


def _points(bands: tuple[tuple[int, int], ...], value: int) -> int:
    return bands[bisect_right(bands, value, key=lambda band: band[0]) - 1][1]


def news2_parts(
    *, rr: int, spo2: int, oxygen: bool, sbp: int, hr: int, alert: bool, temperature: int, scale2: bool
) -> tuple[int, int, int, int, int, int, int]:
    """NEWS2 points for rr, SpO2, oxygen, SBP, pulse, consciousness, temperature, in this order.

    ``rr`` and ``hr`` per minute, ``spo2`` in percent, ``sbp`` in mmHg, ``temperature`` in tenths of a degree Celsius.
    Valid from 16 years and not in pregnancy, which the caller checks.
    """
    saturation = _SPO2_1 if not scale2 else _SPO2_2_OXYGEN if oxygen else _SPO2_2_LOW
    return (
        _points(_RR, rr),
        _points(saturation, spo2),
        2 if oxygen else 0,
        _points(_SBP, sbp),
        _points(_HR, hr),
        0 if alert else 3,
        _points(_TEMPERATURE, temperature),
    )


def shock_index(hr: int, sbp: int) -> int:
    """Heart rate over systolic pressure, in hundredths, half up."""
    return (200 * hr + sbp) // (2 * sbp)


def shock_index_limit(age_years: int) -> int | None:
    """Upper limit in hundredths: 1.0 for adults, SIPA from 4 to 16 years, none below 4."""
    if age_years > 16:
        return 100
    limit = None
    for first, value in _SIPA:
        if age_years >= first:
            limit = value
    return limit


def sbp_limit(age_months: int) -> int:
    """Systolic pressure in mmHg below which a patient of this age is hypotensive (PALS; Rhode Island has the same)."""
    if age_months < 1:
        return 60
    if age_months < 12:
        return 70
    years = age_months // 12
    return 70 + 2 * years if years <= 10 else 90


def rr_low_limit(age_years: int | None) -> int:
    """Breaths per minute below which a patient of this age may need help (Maryland BLS 12.2; adults: NEWS2 band)."""
    if age_years is None or age_years >= 13:
        return 12
    return 16 if age_years >= 1 else 20


#: By scale: the lowest score that supports restraint (BARS has a comparison of its own), the highest of deep sedation,
#: the lowest of "very agitated" (RASS: Sessler 2002; the others by the meaning of their words).
SUPPORTS = {"rass": 2, "sat": 2, "amss": 2}
DEEP = {"rass": -4, "sat": -3, "amss": -4, "bars": 1}
VERY_AGITATED = {"rass": 3, "sat": 3, "amss": 3, "bars": 7}
#: By scale: the highest score that says calm (RASS and AMSS 0 "alert and calm", SAT 0, BARS 4 "quiet and awake").
CALM = {"rass": 0, "sat": 0, "amss": 0, "bars": 4}
#: By scale: the highest score without eye contact to voice (RASS "moderate sedation"; the others by their words).
MODERATE = {"rass": -3, "sat": -2, "amss": -3, "bars": 2}


def moderately_sedated(scale: str | Absent, score: int | Absent) -> bool | None:
    """Whether a score is at or below ``MODERATE``; None where score or scale is not charted."""
    return None if type(scale) is Absent or type(score) is Absent else score <= MODERATE[scale]
