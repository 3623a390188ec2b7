"""One measure as plain data: its rate, its points in time and its groups."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from . import runs, statistics
from .definitions import CLEAR, FINDING

#: A group of fewer records is not shown: the limit of the cell size policy of the Centers for Medicare & Medicaid
#: Services, under which counts of 1 to 10 are suppressed (from memory).
LEAST_GROUP = 11
#: Fewer periods make the limits of a control chart provisional (20 to 25 is what textbooks ask for; from memory).
ENOUGH_PERIODS = 20


def pair(band: statistics.Band | None) -> dict[str, float] | None:
    """Both ends as JSON data."""
    return None if band is None else {"lower": band.lower, "upper": band.upper}


def point_of(counted: Mapping[str, int], counts: str) -> dict[str, Any]:
    """Numerator, denominator and rate of the records with these outcomes."""
    denominator = counted[CLEAR] + counted[FINDING]
    rate = statistics.rate(counted[counts], denominator)
    return {"numerator": counted[counts], "denominator": denominator, "documentation_rate": rate}


def _outside(rate: float, band: statistics.Band) -> bool:
    return not band.lower <= rate <= band.upper


def trend(periods: Mapping[str, Mapping[str, int]], counts: str, baseline: str | None = None) -> dict[str, Any]:
    """A run chart and a p-chart with one point for each period that has a denominator.

    ``baseline``: the last period of those whose median is frozen.
    """
    points = {key: point for key in sorted(periods) if (point := point_of(periods[key], counts))["denominator"]}
    total = sum(point["denominator"] for point in points.values())
    if not total:
        return {"center": None, "provisional": True, "run": None, "points": []}
    center = sum(point["numerator"] for point in points.values()) / total
    out = []
    for key, point in points.items():
        band = statistics.p_chart(center, point["denominator"])
        out.append(
            {
                "period": key,
                **point,
                "lower": band.lower,
                "upper": band.upper,
                "beyond": _outside(point["documentation_rate"], band),
            }
        )
    before = None if baseline is None else sum(key <= baseline for key in points)
    return {
        "center": round(center, 6),
        "provisional": len(out) < ENOUGH_PERIODS,
        "run": _run([point["documentation_rate"] for point in out], before),
        "points": out,
    }


def _run(rates: list[float], baseline: int | None) -> dict[str, Any]:
    found = runs.run(rates, baseline)
    assert found is not None  # there is a point
    return dict(plain(found))


def plain(found: Any) -> Any:
    """As JSON data."""
    if hasattr(found, "_asdict"):
        return {name: plain(value) for name, value in found._asdict().items()}
    return [plain(each) for each in found] if isinstance(found, tuple) else found


def _suppressed(sizes: Mapping[str, int]) -> set[str]:
    """The groups that are not shown: small ones, and the next smallest until no small one follows from a sum."""
    ordered = sorted((size, key) for key, size in sizes.items())
    hidden = [(size, key) for size, key in ordered if size < LEAST_GROUP]
    while hidden and len(hidden) < len(ordered) and (len(hidden) < 2 or sum(size for size, _ in hidden) < LEAST_GROUP):
        hidden.append(ordered[len(hidden)])
    return {key for _, key in hidden}


def funnel(groups: Mapping[str, Mapping[str, int]], counts: str) -> dict[str, Any]:
    """The groups that are shown, in the order of their names, against the rate of all groups together."""
    points = {key: point for key in sorted(groups) if (point := point_of(groups[key], counts))["denominator"]}
    hidden = _suppressed({key: point["denominator"] for key, point in points.items()})
    total = sum(point["denominator"] for point in points.values())
    shown = {key: point for key, point in points.items() if key not in hidden}
    aside = {"groups": len(hidden), "records": sum(points[key]["denominator"] for key in hidden)}
    if not shown:
        return {"target": None, "groups": [], "suppressed": aside}
    target = sum(point["numerator"] for point in points.values()) / total
    out = []
    for key, point in shown.items():
        limits = statistics.funnel(target, point["denominator"])
        beyond = next((name for name in ("99.8", "95") if _outside(point["documentation_rate"], limits[name])), None)
        out.append(
            {"group": key, **point, "limits": {name: pair(band) for name, band in limits.items()}, "beyond": beyond}
        )
    return {"target": round(target, 6), "groups": out, "suppressed": aside}
