"""``restraint-review profiles``: look at profiles, make one, check one, hold two side by side."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from service.settings import read_settings

from . import loading, profiles_check, profiles_new
from .exit_status import OK, CommandFailed
from .profiles_new import measured

if TYPE_CHECKING:
    from service.rulebook.load import Rulebook
    from service.rulebook.rule import Profile


def register(commands: Any) -> None:
    """Add the commands."""
    profiles = commands.add_parser("profiles", help="look at profiles, make and check one").add_subparsers(
        required=True, metavar="COMMAND"
    )
    profiles.add_parser("list", help="every profile on a line").set_defaults(run=_list)
    show = profiles.add_parser("show", help="what one profile chooses")
    show.add_argument("profile", metavar="ID")
    show.set_defaults(run=_show)
    profiles_new.register(profiles)
    profiles_check.register(profiles)
    diff = profiles.add_parser("diff", help="where two profiles differ")
    diff.add_argument("left", metavar="ID")
    diff.add_argument("right", metavar="ID")
    diff.set_defaults(run=_diff)


def find(book: Rulebook, name: str) -> Profile:
    """The profile of this id. Raises CommandFailed that names those there are."""
    if name not in book.profiles:
        raise CommandFailed(f"no profile has the id {name}. There are: {', '.join(sorted(book.profiles))}.")
    return book.profiles[name]


def _list(_arguments: argparse.Namespace) -> int:
    settings = read_settings()
    book = loading.rulebook(settings)
    served = settings.served_profiles
    for name, profile in sorted(book.profiles.items()):
        mark = "served" if served is None or name in served else ""
        print(f"{name:<24}  {mark:<6}  {profile.title}")
    return OK


def _show(arguments: argparse.Namespace) -> int:
    book = loading.rulebook(read_settings())
    profile = find(book, arguments.profile)
    raw: Any = profile.raw
    print(f"{profile.id}, version {profile.version}\n{profile.title}")
    for part in ("edition", "reviewed"):
        if part in raw:
            print(f"{part}: {raw[part]}")
    for note in raw.get("notes", []):
        print(f"- {note}")
    default = book.profiles["default"]
    for name, left, right in differences(book, default, profile):
        print(f"{name}: {right} (default {left}){_stated(raw, name)}")
    return OK


def _stated(raw: Any, name: str) -> str:
    """Where the profile says that a choice comes from."""
    at = name.split(" ")[0]
    rule, _, parameter = at.partition(".")
    choice = raw.get("shared", {}).get(at) or (
        raw.get("parameters", {}).get(rule, {}).get(parameter) if parameter else raw.get("severities", {}).get(rule)
    )
    if not isinstance(choice, dict):
        return ""
    return f"; {choice['source']}" + (f", {choice['locator']}" if "locator" in choice else "")


def differences(book: Rulebook, left: Profile, right: Profile) -> list[tuple[str, str, str]]:
    """(what, on the left, on the right) for every choice in which two profiles differ. What follows is left out."""
    out: list[tuple[str, str, str]] = []
    mine, other = left.numbers, right.numbers
    for name, parameter in book.shared.items():
        pair = mine.get(name, parameter.default), other.get(name, parameter.default)
        if pair[0] != pair[1]:
            out.append((name, *_two(pair, parameter.unit)))
    for rule in book.rules:
        for parameter in rule.parameters:
            pair = parameter.under(rule.id, mine), parameter.under(rule.id, other)
            if parameter.of is None and pair[0] != pair[1]:
                what = f"{rule.id}.{parameter.name} {rule.title}"
                out.append((what, *_two(pair, parameter.unit)))
        for what, of in (("severity", "severities"), ("counted only", "measures")):
            said = [
                getattr(each, of).get(rule.id, rule.severity if of == "severities" else "no") for each in (left, right)
            ]
            if said[0] != said[1]:
                out.append((f"{rule.id} {rule.title}, {what}", said[0], said[1]))
        ends = [next((f"off until {s.ends}" for s in each.off if s.rule == rule.id), "on") for each in (left, right)]
        if ends[0] != ends[1]:
            out.append((f"{rule.id} {rule.title}", ends[0], ends[1]))
    return out


def _two(pair: tuple[float, float], unit: str) -> tuple[str, str]:
    return measured(pair[0], unit), measured(pair[1], unit)


def _diff(arguments: argparse.Namespace) -> int:
    book = loading.rulebook(read_settings())
    found = differences(book, find(book, arguments.left), find(book, arguments.right))
    for name, left, right in found:
        print(f"{name}: {left} -> {right}")
    print(
        f"{len(found)} differ. What follows from a limit, such as far over, follows here too. Over old charts: "
        f"restraint-review compare year.ndjson --left {arguments.left} --right {arguments.right}"
    )
    return OK
