"""The two generated tables of DEVELOPERS.md: ``python -m tests.rules.tables [--write]``.

``coverage``: every published row and the rules that answer it, or why none
does. ``profiles``: every number and severity in which a shipped profile differs
from the defaults. Both are made from the rulebook, so they cannot drift from it.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from pathlib import Path

from service.intake import strict_yaml
from service.rulebook.load import Rulebook
from tests.support.pipeline import pipeline

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
ROWS = Path(__file__).with_name("rows.yaml")


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
        for rule_id, severity in profile.severities.items():
            if severity != rules[rule_id].severity:
                out[rule_id, "severity"][name] = severity
        for switch in profile.off:
            out[switch.rule, "on"][name] = f"off until {switch.ends}"
    for (rule_id, what), values in out.items():
        default = {f"{p.name} ({p.unit})": f"{p.default:g}" for p in rules[rule_id].parameters}
        values["default"] = default.get(what) or {"severity": rules[rule_id].severity, "on": "on"}[what]
    return dict(sorted(out.items()))


def profiles(book: Rulebook) -> str:
    """The table of differences as markdown."""
    names = ["default", *sorted(set(book.profiles) - {"default"})]
    titles = {rule.id: rule.title for rule in book.rules}
    lines = ["| rule | what | " + " | ".join(names) + " |", "|---|---|" + "---|" * len(names)]
    for (rule_id, what), values in differences(book).items():
        lines.append(
            f"| {rule_id} {titles[rule_id]} | {what} | " + " | ".join(values.get(name, "") for name in names) + " |"
        )
    return "\n".join(lines)


def between(text: str, name: str) -> str:
    """What stands between the markers of one table. Raises ValueError without them."""
    start, end = f"<!-- {name} -->\n", f"\n<!-- /{name} -->"
    return text[text.index(start) + len(start) : text.index(end)]


def written(text: str, book: Rulebook) -> str:
    """The guide with both tables made anew; a table without markers is added at the end."""
    for name, heading, table in (
        ("profiles", "What the profiles change", profiles(book)),
        ("coverage", "What answers which published row", coverage(book)),
    ):
        start, end = f"<!-- {name} -->\n", f"\n<!-- /{name} -->"
        if start not in text:
            text = f"{text.rstrip()}\n\n## {heading}\n\n{start}{end}\n"
        text = text[: text.index(start) + len(start)] + table + text[text.index(end) :]
    return text


if __name__ == "__main__":
    made = written(GUIDE.read_text(encoding="utf-8"), pipeline().rulebook)
    if "--write" in sys.argv:
        GUIDE.write_text(made, encoding="utf-8")
    else:
        print(between(made, "profiles"), between(made, "coverage"), sep="\n\n")
