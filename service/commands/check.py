"""``restraint-review check``: files reviewed in this process, without a server."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.formats.media_types import FORMATS, media_type_of
from service.formats.other_files import looks_like
from service.settings import read_settings
from service.wording.headings import HANDLERS, SEVERITIES, count

from . import loading, screen
from .exit_status import FAULTS, OK, failed, printable

if TYPE_CHECKING:
    from service.problems import Rejected


def register(commands: Any) -> None:
    """Add the command."""
    check = commands.add_parser(
        "check",
        help="review files without a server",
        description="Several files end with an overview, the worst first. Exit status: 0 nothing critical, 1 something "
        "critical stands, 2 a file could not be reviewed; --for and --severity do not change it. "
        "The rules' own examples are not run here: `rules test` and the server do that.",
    )
    check.add_argument(
        "files", nargs="+", metavar="FILE", help="an episode in any format that is read, or - for standard input"
    )
    check.add_argument("--format", choices=tuple(FORMATS), help="format of the files (by their content)")
    check.add_argument("--profile", help="id of the profile")
    check.add_argument(
        "--for", dest="reader", choices=tuple(HANDLERS), help="only what this reader acts on, and what to tell at once"
    )
    check.add_argument("--severity", choices=SEVERITIES, help="only findings as grave as this or graver")
    check.add_argument("--json", action="store_true", help="print each review as JSON, one a line")
    check.add_argument("--explain", action="store_true", help="with --json: say what decided each rule")
    check.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    from service.engine.fence import NotEvaluated
    from service.pages import overview
    from service.pages.overview import Checked
    from service.problems import PROBLEMS, Rejected, known_code
    from service.representations import review_json
    from service.review.build import Wanted

    if arguments.json and (arguments.reader or arguments.severity):
        return failed("--for and --severity are for people; with --json every finding is there")
    settings = read_settings()
    profile = arguments.profile or settings.default_profile
    pipeline = loading.pipeline(settings, profiles=[profile])
    titles = screen.titles(pipeline.rulebook.rules)
    status = OK
    checked: list[Checked] = []
    for name in arguments.files:
        try:
            body = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
            media_type = FORMATS[arguments.format] if arguments.format else media_type_of(body)
            review = pipeline.review(body, media_type, profile, Wanted(arguments.explain, full=not arguments.json))
        except OSError as error:
            why = f"cannot be opened: {error.strerror}"
            status = failed(f"{name}: {why}")
            checked.append(Checked(name, why, None))
        except Rejected as rejected:
            said = looks_like(body, media_type)
            status = failed(f"{name}: {rejected.code}", *([f"  {said}"] if said else _places(rejected)))
            checked.append(Checked(name, PROBLEMS[known_code(rejected.code, rejected.status)].title, None))
        except NotEvaluated:
            why = "the review was not finished; there is no result"
            status = failed(f"{name}: {why}")
            checked.append(Checked(name, why, None))
        else:
            if arguments.json:
                sys.stdout.buffer.write(review_json.render(review).rstrip(b"\n") + b"\n")
                sys.stdout.buffer.flush()
            else:
                shown, said = _narrowed(review.document, arguments.reader, arguments.severity)
                print(screen.review(name, shown, titles, said), flush=True)
            checked.append(Checked(name, None, review.document))
            if status == OK and review.document["summary"]["by_severity"].get("critical"):
                status = FAULTS
    if len(checked) > 1 and not arguments.json:
        print(overview.render([each._replace(name=printable(each.name)) for each in checked], screen.width()), end="")
    return status


def _narrowed(document: Mapping[str, Any], reader: str | None, severity: str | None) -> tuple[Mapping[str, Any], str]:
    """The review with only the findings that are asked for, and a word on what is left out. What to tell at once stays."""
    if reader is None and severity is None:
        return document, ""
    grave = SEVERITIES[: SEVERITIES.index(severity or SEVERITIES[-1]) + 1]
    kept = [each for each in document["findings"] if each["severity"] in grave and reader in (None, each["handled_by"])]
    asked = [f"for the {reader}"] if reader else []
    asked += [f"{severity} or graver"] if severity and severity != SEVERITIES[0] else [severity] if severity else []
    left = len(document["findings"]) - len(kept)
    return {**document, "findings": kept}, f"Shown: findings {', '.join(asked)}. Not shown: {count(left, 'finding')}."


def _places(rejected: Rejected) -> list[str]:
    lines = [
        f"  {item.pointer or item.location or '(the whole body)'}: {item.detail}"
        + (f" ({item.count} times)" if item.count > 1 else "")
        for item in rejected.errors
    ]
    return [*lines, f"  and {rejected.omitted} more"] if rejected.omitted else lines
