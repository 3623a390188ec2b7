"""The start page: what the service is, and forms to try it. Nothing that is sent is kept.

Both forms post to ``ACTION`` as ``multipart/form-data``; the answer is the
review page, or this page again with what was wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.review.build import CAUTIONS
from service.rulebook.load import Rulebook
from service.wording.headings import count

from . import html

#: Where both forms post to.
ACTION = "/try"
#: Form fields. ``FILE`` (with ``FORMAT``, a media type that was offered) or ``DEMO`` (a name that was offered); ``PROFILE`` with either.
FILE, FORMAT, DEMO, PROFILE = "file", "format", "demo", "profile"


@dataclass(frozen=True, slots=True)
class Demo:
    """A demo episode: the value of ``DEMO``, its title and its story."""

    name: str
    title: str
    story: str


@dataclass(frozen=True, slots=True)
class Wrong:
    """Why the last attempt could not be reviewed: title of the problem, and (place, detail) of every error. Fixed text only."""

    title: str
    errors: Sequence[tuple[str, str]] = ()


def render(
    book: Rulebook,
    demos: Sequence[Demo],
    formats: Sequence[tuple[str, str]],
    served: Sequence[str],
    default_profile: str,
    wrong: Wrong | None = None,
) -> bytes:
    """The page in UTF-8. ``formats``: (media type, name for people) of every format that can be read."""
    return html.page(
        "start.html",
        html.FORM_POLICY,
        action=ACTION,
        fields={"file": FILE, "format": FORMAT, "demo": DEMO, "profile": PROFILE},
        demos=demos,
        formats=formats,
        profiles=[(name, book.profiles[name].title) for name in served],
        default_profile=default_profile,
        rules=len(book.rules),
        ruleset=f"{book.name} {book.version}",
        cautions=CAUTIONS,
        wrong=wrong,
        count=count,
    )
