"""``restraint-review onboard``: what a set of sample charts tells of the system that they come from."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from service.settings import read_settings

from . import loading, screen
from .exit_status import FAULTS, OK, CommandFailed


def register(commands: Any) -> None:
    """Add the command."""
    onboard = commands.add_parser(
        "onboard",
        help="what your system never sends, from sample charts",
        description="Reads sample charts and says which members were never sent, which list not_collected this suggests, "
        "which critical rules hang on it, words that were never used, values that never vary, and items without ids. "
        "Exit status: 0 every chart read, 1 some could not be read (they are named), 2 none.",
    )
    onboard.add_argument(
        "charts",
        nargs="+",
        metavar="CHARTS",
        help="files with one or many charts in any format that is read, or a folder",
    )
    onboard.add_argument("--profile", help="id of the profile")
    onboard.add_argument("--format", choices=("text", "json", "html"), default="text", help="of the report (text)")
    onboard.add_argument("--output", metavar="FILE", help="where the report goes (standard output)")
    onboard.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    from service.batch import onboarding

    settings = read_settings()
    profile = arguments.profile or settings.default_profile
    pipeline = loading.pipeline(settings, profiles=[profile])
    samples = onboarding.Samples(profile)
    try:
        for path in _files(arguments.charts):
            for chart in onboarding.charts(pipeline, str(path), path.read_bytes()):
                samples.add(pipeline, chart)
        if not samples.amount:
            raise CommandFailed("none of these is a chart that can be read", *_refusals(samples.refused))
        content = _written(onboarding.document(pipeline, samples), arguments.format)
        if arguments.output:
            Path(arguments.output).write_bytes(content)
        else:
            sys.stdout.buffer.write(content)
            sys.stdout.buffer.flush()
    except OSError as error:
        raise CommandFailed(f"{error.filename or 'a file'}: {error.strerror or type(error).__name__}") from None
    return FAULTS if samples.refused else OK


def _files(names: list[str]) -> list[Path]:
    paths = [Path(name) for name in names]
    return [
        file for path in paths for file in (sorted(path.iterdir()) if path.is_dir() else [path]) if not file.is_dir()
    ]


def _refusals(refused: list[dict[str, Any]]) -> list[str]:
    return [f"  {each['file']}, line {each['line']}: {each['code']} {each['place']}".rstrip() for each in refused[:20]]


def _written(document: dict[str, Any], as_format: str) -> bytes:
    if as_format == "json":
        return json.dumps(document, indent=1, ensure_ascii=False).encode() + b"\n"
    from service.pages import onboarding

    if as_format == "html":
        return onboarding.render(document)
    return onboarding.as_text(document, max(40, min(screen.width(), 100))).encode()
