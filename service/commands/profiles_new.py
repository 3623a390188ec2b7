"""``restraint-review profiles new``: a template in the words of a protocol, filled with another profile's choices."""

from __future__ import annotations

import argparse
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.settings import read_settings
from service.wording.words import number, word

from . import loading
from .exit_status import OK, CommandFailed, failed

if TYPE_CHECKING:
    from service.rulebook.load import Rulebook
    from service.rulebook.rule import Parameter, Profile, Rule


def register(commands: Any) -> None:
    """Add the command."""
    new = commands.add_parser("new", help="write a profile to be filled in")
    new.add_argument("name", metavar="NAME", help="small letters, digits, hyphens: our-county")
    new.add_argument("--from", dest="source", default="default", metavar="ID", help="the profile to start from")
    new.add_argument("--into", type=Path, default=Path(), metavar="DIR", help="the agency's folder (this one)")
    new.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    book = loading.rulebook(read_settings())
    name: str = arguments.name
    if not re.fullmatch(r"[a-z0-9]+(?:-[a-z0-9]+)*", name) or name in book.profiles:
        return failed("a name of small letters, digits and hyphens that no profile has, such as our-county")
    if arguments.source not in book.profiles:
        raise CommandFailed(f"no profile has the id {arguments.source}. There are: {', '.join(sorted(book.profiles))}.")
    path = arguments.into / "profiles" / f"{name}.yaml"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(template(book, book.profiles[arguments.source], name))
        sources = arguments.into / "sources.yaml"
        if not sources.exists():
            sources.write_text(_SOURCES.format(name=name), encoding="utf-8")
    except FileExistsError:
        return failed("the file is there already")
    except OSError as error:
        return failed(f"{path}: {type(error).__name__}")
    print(f"{path}\nFill it in, and {sources}. Then: restraint-review profiles check {path}")
    return OK


_SOURCES = """\
# Where your numbers come from. The key is what a number names as its source.
sources:
  {name}:
    title: FILL-IN the title of your protocol, with the section
    publisher: FILL-IN who issues it
    edition: FILL-IN the edition, in quotes
"""


def template(book: Rulebook, start: Profile, name: str) -> str:
    """Every number as a line: a comment while it is that of ``default``, a choice where ``start`` has another."""
    raw: Any = start.raw
    lines = [
        "# Take the # away in front of a number to choose it, and write your value and its source. What you leave out",
        "# is as in the default. A limit carries what follows from it: far over is always 1.5 times the limit.",
        f"profile: {name}",
        "version: 1",
        "title: FILL-IN your agency and protocol in one line",
        'edition: "FILL-IN the edition"',
        '# reviewed: "2031-01-31"   # the day on which you compared this file with it',
        "notes:",
        f"  - FILL-IN what your protocol does not state. It began as {start.id}.",
        *(f"  # {start.id}: {note}" for note in raw.get("notes", [])),
        "parameters:",
    ]
    for phase in book.vocabulary.phases:
        rules = [rule for rule in book.rules if rule.phase == phase and any(_open(p) for p in rule.parameters)]
        if rules:
            lines.append(f"  # ---- {word(phase)}")
        for rule in rules:
            lines += _rule(rule, start, name)
    lines.append("shared:" if start.shared else "# shared:")
    for key, parameter in book.shared.items():
        value = start.shared.get(key, parameter.default)
        mark = "" if key in start.shared else "# "
        source = raw["shared"][key]["source"] if key in start.shared else name
        lines.append(f"  # {_says(key, 'Patients under this age are children', parameter)}")
        lines.append(f"  {mark}{key}: {{value: {number(value)}, source: {source}}}")
    for part in ("severities", "measures"):
        chosen = raw.get(part) or {}
        lines.append(f"{part}:" if chosen else f"{part}: {{}}")
        lines += [f"  {rule}: {_flow(choice)}" for rule, choice in chosen.items()]
    lines += [
        "off: []",
        '# In place of [], one rule a line:\n#   - {rule: RR-1128, reason: why, owner: Medical director, ends: "2031-12-31"}',
    ]
    return "\n".join(lines) + "\n"


def _open(parameter: Parameter) -> bool:
    return parameter.of is None and parameter.low < parameter.high


def _flow(choice: Any) -> str:
    if isinstance(choice, dict):
        return "{" + ", ".join(f"{key}: {_text(value)}" for key, value in choice.items()) + "}"
    return _text(choice)


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def _rule(rule: Rule, start: Profile, name: str) -> list[str]:
    raw: Any = start.raw
    chosen = raw.get("parameters", {}).get(rule.id, {})
    mark = "" if chosen else "# "
    out = [f"  {mark}{rule.id}:   # {rule.title}"]
    for p in rule.parameters:
        if not _open(p):
            continue
        choice = chosen.get(p.name)
        value = _flow(choice) if choice else f"{{value: {number(p.default)}, source: {name}}}"
        out.append(f"    # {_says(f'{rule.id}.{p.name}', word(p.name), p)}")
        out.append(f"    {'' if choice else '# '}{p.name}: {value}")
    return out


def _says(key: str, otherwise: str, p: Parameter) -> str:
    said = IN_WORDS.get(key, f"{otherwise}: ...").replace("...", measured("...", p.unit))
    return f"{said}   ({number(p.low)} to {number(p.high)}; default {number(p.default)}, from {p.source})"


def measured(value: float | str, unit: str) -> str:
    """A number, or the place for one, with its unit as people say it."""
    said = value if isinstance(value, str) else number(value)
    return f"{said} {_UNITS.get(unit, unit)}".rstrip()


_UNITS = {
    "a": "years",
    "count": "",
    "score": "",
    "ratio": "",
    "Cel": "degrees Celsius",
    "mm[Hg]": "mmHg",
    "deg": "degrees",
    "wk": "weeks",
}


#: Numbers in the words of a protocol; ``...`` is where the number and its unit go.
IN_WORDS = {
    "child_under": "A child is a patient under ...",
    "RR-1032.min_people": "At least ... people to restrain",
    "RR-1033.best_people": "Better ... people to restrain",
    "RR-1131.min_flow": "A non-rebreather on the face runs at ... or more",
    "RR-1219.ketamine_age": "Call before ketamine for a patient under ...",
    "RR-1220.ketamine_age": "Call before ketamine for a patient under ...",
    "RR-1235.min_sbp": "Midazolam again only over a systolic pressure of ...",
    "RR-1239.max_im": "Midazolam IM, one dose, adult: at most ...",
    "RR-1239.max_iv": "Midazolam IV, one dose, adult: at most ...",
    "RR-1240.max": "Midazolam by nose, one dose, adult: at most ...",
    "RR-1241.max": "Ketamine IM, one dose, adult: at most ...",
    "RR-1242.max": "Ketamine IV, one dose: at most ...",
    "RR-1243.max": "Olanzapine, one dose: at most ...",
    "RR-1244.max": "Diphenhydramine, one dose: at most ...",
    "RR-1245.max_im": "Ketamine IM by weight: at most ...",
    "RR-1245.max_iv": "Ketamine IV by weight: at most ...",
    "RR-1250.max": "Midazolam, all doses together: at most ...",
    "RR-1251.max": "Ketamine, all doses together: at most ...",
    "RR-1252.max": "Lorazepam, all doses together: at most ...",
    "RR-1253.max": "Diazepam, all doses together: at most ...",
    "RR-1254.max": "Haloperidol, all doses together: at most ...",
    "RR-1255.max": "Droperidol, all doses together: at most ...",
    "RR-1258.elder_age": "Lower doses for older patients from ...",
    "RR-1258.max": "Midazolam, all doses together, older patient: at most ...",
    "RR-1259.midazolam_im": "Midazolam IM, one dose, older patient: at most ...",
    "RR-1259.midazolam_iv": "Midazolam IV, one dose, older patient: at most ...",
    "RR-1259.midazolam_nasal": "Midazolam by nose, one dose, older patient: at most ...",
    "RR-1260.max_midazolam_im": "Midazolam IM for a child: at most ...",
    "RR-1260.max_midazolam_iv": "Midazolam IV for a child: at most ...",
    "RR-1260.max_midazolam_nasal": "Midazolam by nose for a child: at most ...",
    "RR-1261.max_midazolam": "Midazolam, one dose, child: at most ...",
    "RR-1261.max_ketamine": "Ketamine IM, one dose, child: at most ...",
    "RR-1268.midazolam": "Midazolam is never repeated sooner than after ...",
    "RR-1269.midazolam": "Midazolam may be repeated after ...",
    "RR-1269.haloperidol": "Haloperidol may be repeated after ...",
    "RR-1305.max_first": "First limb check within ... of securing",
    "RR-1306.info_gap": "Limb checks better every ...",
    "RR-1306.max_gap": "Limb checks at least every ... (the same as RR-1307)",
    "RR-1307.max_gap": "Limb checks at least every ...",
    "RR-1322.info_gap": "Vital signs, not sedated, better every ...",
    "RR-1322.max_gap": "Vital signs, not sedated, at least every ... (the same as RR-1323)",
    "RR-1323.max_gap": "Vital signs, not sedated, at least every ...",
    "RR-1324.max_gap": "Vital signs after a sedative at least every ...",
    "RR-1362.limit": "Oxygen under a saturation of ...",
    "RR-1388.limit": "Low sugar is treated up to ...",
    "RR-1392.limit": "Cooling from ...",
}
