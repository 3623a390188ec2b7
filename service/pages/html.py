"""What the pages share: templates, one style sheet, and the policy under which they are shown.

A page is one self-contained document: no script, no request to anywhere, one
inline style sheet whose digest is in the policy.
"""

from __future__ import annotations

import base64
import hashlib
import re
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

MEDIA_TYPE = "text/html; charset=utf-8"

_TEMPLATES = Environment(
    loader=PackageLoader("service.pages"),
    autoescape=True,
    auto_reload=False,
    trim_blocks=True,
    lstrip_blocks=True,
    undefined=StrictUndefined,
)


def _css(*names: str) -> str:
    """Style sheets as one, without comments and white space."""
    text = "\n".join(_TEMPLATES.get_template(name).render() for name in names)
    return re.sub(r"\s*\n\s*", "", re.sub(r"/\*.*?\*/", "", text, flags=re.S)).strip()


def _source(style: str) -> str:
    """A style sheet as the policy names it (CSP 3, hash-source)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()}'"


_STYLE = _css("tokens.css", "base.css", "style.css")
#: What the parts of a review need, under one class, so that it meets nothing of a host's page.
REVIEW_STYLE = _css("tokens.css", "review.css").replace(":root, ", "")
_SHEETS = {"review.html": _css("tokens.css", "base.css", "review.css"), "part.html": REVIEW_STYLE}
STYLE_SOURCE = _source(_STYLE)

#: ``Content-Security-Policy`` of pages without a form. Who may frame a page is for the host to say: the API adds
#: ``frame-ancestors``.
READ_POLICY = f"default-src 'none'; style-src {STYLE_SOURCE}; base-uri 'none'; form-action 'none'"
#: ``Content-Security-Policy`` of the start page, which has forms.
FORM_POLICY = f"default-src 'none'; style-src {STYLE_SOURCE}; base-uri 'none'; form-action 'self'"

#: ``Content-Security-Policy`` of a review, whole or in parts.
REVIEW_POLICY = (
    f"default-src 'none'; style-src {_source(_SHEETS['review.html'])} {_source(REVIEW_STYLE)}; "
    "base-uri 'none'; form-action 'none'"
)


def page(template: str, policy: str = READ_POLICY, **values: Any) -> bytes:
    """Fill in a template; every value is escaped unless it is Markup. The policy also stands in the page itself."""
    made = _TEMPLATES.get_template(template)
    return made.render(style=Markup(_SHEETS.get(template, _STYLE)), policy=policy, **values).encode()
