"""The generated tables beside the rules, ``rules/COVERAGE.md`` and ``rules/PROFILES.md``: ``python -m tests.rules.tables [--write]``.

Coverage: every published row and the rules that answer it, or why none does.
Profiles: every number and severity in which a shipped profile differs from the
defaults. Both are made from the rulebook, so they cannot drift from it. Without
``--write`` nothing is written; the exit status is 1 when a file is not what
would be written.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from pathlib import Path

from service.intake import strict_yaml
from service.rulebook.load import Rulebook
from tests.support.pipeline import pipeline
from tests.support.written import write_or_compare

RULES = Path(__file__).parents[2] / "rules"
ROWS = Path(__file__).with_name("rows.yaml")

NUMBERS = Path(__file__).with_name("numbers.yaml")

_BY = "Written by `python -m tests.rules.tables --write`; a test holds it."


def tables() -> list[tuple[str, dict[str, str | list[str]]]]:
    """Each published table: its title, and for every row "" (named by rules), the rules, or a reason."""
    return [(table["title"], table["rows"]) for table in strict_yaml.load(ROWS)["tables"]]


def answered(book: Rulebook) -> dict[str, list[str]]:
    """Row id -> ids of the rules that name it, in order."""
    out: dict[str, list[str]] = defaultdict(list)
    for rule in book.rules:
        for row in rule.answers:
            out[row].append(rule.id)
    return {row: sorted(rules) for row, rules in out.items()}


def coverage(book: Rulebook) -> str:
    """The coverage table as markdown."""
    named = answered(book)
    lines = ["| row | answered by, or why not |", "|---|---|"]
    for title, rows in tables():
        lines.append(f"| **{title}** | |")
        for row, text in rows.items():
            rules = text if isinstance(text, list) else named.get(row, [])
            lines.append(f"| {row} | {', '.join(rules) or text} |")
    return "\n".join(lines)


def differences(book: Rulebook) -> dict[tuple[str, str], dict[str, str]]:
    """(rule, what) -> profile -> value, for everything in which some profile differs; "default" is always there."""
    rules = {rule.id: rule for rule in book.rules}
    out: dict[tuple[str, str], dict[str, str]] = defaultdict(dict)
    for name, profile in book.profiles.items():
        for rule_id, values in profile.parameters.items():
            for parameter in rules[rule_id].parameters:
                value = values.get(parameter.name, parameter.default)
                if value != parameter.default:
                    out[rule_id, f"{parameter.name} ({parameter.unit})"][name] = f"{value:g}"
        for key, value in profile.shared.items():
            if value != book.shared[key].default:
                out[key, f"{key} ({book.shared[key].unit})"][name] = f"{value:g}"
        for rule_id, severity in profile.severities.items():
            if severity != rules[rule_id].severity:
                out[rule_id, "severity"][name] = severity
        for rule_id in profile.measures:
            out[rule_id, "handled by"][name] = "measures"
        for switch in profile.off:
            out[switch.rule, "on"][name] = f"off until {switch.ends}"
    for (rule_id, what), values in out.items():
        parameters = rules[rule_id].parameters if rule_id in rules else (book.shared[rule_id],)
        default = {f"{p.name} ({p.unit})": f"{p.default:g}" for p in parameters}
        values["default"] = default.get(what) or {
            "severity": rules[rule_id].severity, "on": "on", "handled by": rules[rule_id].handled_by,
        }[what]  # fmt: skip
    return dict(sorted(out.items()))


def profiles(book: Rulebook) -> str:
    """The table of differences as markdown."""
    names = ["default", *sorted(set(book.profiles) - {"default"})]
    titles = {rule.id: rule.title for rule in book.rules} | dict.fromkeys(book.shared, "(several rules)")
    lines = ["| rule | what | " + " | ".join(names) + " |", "|---|---|" + "---|" * len(names)]
    for (rule_id, what), values in differences(book).items():
        lines.append(
            f"| {rule_id} {titles[rule_id]} | {what} | " + " | ".join(values.get(name, "") for name in names) + " |"
        )
    return "\n".join(lines)


def not_held() -> str:
    """What protocols state and no parameter holds, as markdown."""
    rows = strict_yaml.load(NUMBERS)["not_held"]
    return "\n".join(["| stated | why no number holds it |", "|---|---|", *(f"| {a} | {b} |" for a, b in rows.items())])


def documents(book: Rulebook) -> dict[Path, str]:
    """Both files, whole."""
    return {
        RULES / "COVERAGE.md": "# What answers which published row\n\n"
        "Each row is one statement of a public document, restated in `sources.yaml`. Beside it are the rules that answer it, "
        f"or why none does. {_BY}\n\n{coverage(book)}\n",
        RULES / "PROFILES.md": "# What the shipped profiles change\n\n"
        "A row is one number or severity in which some profile differs from the defaults. An empty cell: as in the default. "
        f"What a profile says of its own limits stands in its `notes`. {_BY}\n\n{profiles(book)}\n\n"
        "## What no profile can say\n\nStated by a protocol that was read, and held by no parameter. A rule of the agency's own may ask it.\n\n"
        f"{not_held()}\n",
    }


if __name__ == "__main__":
    sys.exit(write_or_compare(documents(pipeline().rulebook), write="--write" in sys.argv))
