"""``restraint-review check``: files reviewed in this process, without a server."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.formats.media_types import FORMATS, media_type_of
from service.formats.other_files import looks_like
from service.settings import read_settings

from . import loading, screen
from .exit_status import FAULTS, OK, failed

if TYPE_CHECKING:
    from service.problems import Rejected


def register(commands: Any) -> None:
    """Add the command."""
    check = commands.add_parser(
        "check",
        help="review files without a server",
        description="Exit status: 0 nothing critical, 1 something critical stands, 2 a file could not be reviewed. "
        "The rules' own examples are not run here: `rules test` and the server do that.",
    )
    check.add_argument(
        "files", nargs="+", metavar="FILE", help="an episode in any format that is read, or - for standard input"
    )
    check.add_argument("--format", choices=tuple(FORMATS), help="format of the files (by their content)")
    check.add_argument("--profile", help="id of the profile")
    check.add_argument("--json", action="store_true", help="print each review as JSON, one a line")
    check.add_argument("--explain", action="store_true", help="with --json: say what decided each rule")
    check.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    from service.engine.fence import NotEvaluated
    from service.problems import Rejected
    from service.representations import review_json
    from service.review.build import Wanted

    settings = read_settings()
    profile = arguments.profile or settings.default_profile
    pipeline = loading.pipeline(settings, profiles=[profile])
    titles = screen.titles(pipeline.rulebook.rules)
    status = OK
    for name in arguments.files:
        try:
            body = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
            media_type = FORMATS[arguments.format] if arguments.format else media_type_of(body)
            review = pipeline.review(body, media_type, profile, Wanted(arguments.explain, full=not arguments.json))
        except OSError as error:
            status = failed(f"{name}: cannot be opened: {error.strerror}")
        except Rejected as rejected:
            said = looks_like(body, media_type)
            status = failed(f"{name}: {rejected.code}", *([f"  {said}"] if said else _places(rejected)))
        except NotEvaluated:
            status = failed(f"{name}: the review was not finished; there is no result")
        else:
            if arguments.json:
                sys.stdout.buffer.write(review_json.render(review).rstrip(b"\n") + b"\n")
                sys.stdout.buffer.flush()
            else:
                print(screen.review(name, review.document, titles), flush=True)
            if status == OK and review.document["summary"]["by_severity"].get("critical"):
                status = FAULTS
    return status


def _places(rejected: Rejected) -> list[str]:
    lines = [
        f"  {item.pointer or item.location or '(the whole body)'}: {item.detail}"
        + (f" ({item.count} times)" if item.count > 1 else "")
        for item in rejected.errors
    ]
    return [*lines, f"  and {rejected.omitted} more"] if rejected.omitted else lines
