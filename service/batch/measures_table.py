"""The measures as a table for spreadsheets."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from . import tables
from .definitions import NONE, UNKNOWN, WITHOUT

COLUMNS = (
    "scope", "key", "id", "kind", "title", "category", "phase", "severity", "rules", "counts", "good", "numerator", "denominator", "documentation_rate", "lower", "upper",
    "limits", "beyond", "not_applicable", "not_assessable", "error", "off", "not_evaluated", "unassessed_share", "greyed",
    "change", "p_value", "run_median", "in_shift", "in_trend", "last_case", "between_days", "agreement", "judged", "accepted",
    "records", "median_s", "nine_of_ten_within_s", "longest_s", "without_entry", "first_day", "last_day", "profile", "ruleset", "ruleset_digest",
)  # fmt: skip


def to_csv(found: Mapping[str, Any]) -> bytes:
    """The document as CSV. ``scope``: first, all, period, group, harm, time or verdict; ``limits`` says what lower and upper are."""
    same = {name: found["versions"][name] for name in ("profile", "ruleset", "ruleset_digest")}
    same |= {f"{name}_day": day for name, day in (found["days"] or {}).items()}
    return tables.heading(COLUMNS) + tables.rows(COLUMNS, (row | same for row in _rows(found)))


def _rows(found: Mapping[str, Any]) -> Iterable[dict[str, Any]]:
    for line in found["first"]["lines"]:
        head = {"id": line["measure"], "title": line["title"], "change": line["change"], "p_value": line["p_value"]}
        for part in line["compared"]:
            yield {"scope": "first", "key": part["of"], **head, **part, "rules": " ".join(line["also"])}
    for measure in found["measures"]:
        head = {
            name: measure[name] for name in ("id", "kind", "title", "category", "phase", "severity", "counts", "good")
        }
        head["rules"] = " ".join(measure["rules"])
        rate = {name: measure[name] for name in ("numerator", "denominator", "documentation_rate")}
        aside = {**measure["aside"], "unassessed_share": measure["unassessed_share"], "greyed": measure["greyed"]}
        yield {"scope": "all", **head, **rate, **(measure["interval_95"] or {}), "limits": "Wilson 95 %", **aside}
        trend = measure.get("trend", {"points": []})
        for index, point in enumerate(trend["points"]):
            run = trend["run"]
            marks = {"run_median": run["median"]}
            marks |= {f"in_{name}": any(index in row for row in run[name]) for name in ("shift", "trend")}
            yield {"scope": "period", "key": point["period"], **head, **point, **marks, "limits": "p-chart"}
        for point in measure.get("funnel", {"groups": []})["groups"]:
            for name, band in point["limits"].items():
                yield {
                    "scope": "group",
                    "key": point["group"],
                    **head,
                    **point,
                    "limits": f"funnel {name} %",
                    **band,
                    "beyond": point["beyond"] or False,
                }
    for harm in found["harm"]:
        days = " ".join(map(str, (harm["between"] or {"days": ()})["days"]))
        head = {"id": harm["measure"], "title": harm["title"], "last_case": harm["last_case"], "between_days": days}
        yield {"scope": "harm", **head, "numerator": harm["cases"], "denominator": harm["denominator"]}
    for rule in found.get("verdicts", {"rules": ()})["rules"]:
        band = {**(rule["interval_95"] or {}), "limits": "Wilson 95 %"}
        said = {name: rule[name] for name in ("title", "agreement", "judged", "accepted")}
        yield {"scope": "verdict", "id": rule["rule"], **said, **band}
    for time in found["times"]:
        named = {f"{name}_s": time[name] for name in ("median", "nine_of_ten_within", "longest")}
        yield {
            "scope": "time",
            "kind": "time",
            **{name: time[name] for name in ("id", "title", "records", WITHOUT, UNKNOWN, NONE, "not_evaluated")},
            **named,
        }
