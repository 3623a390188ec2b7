"""What the pages share: templates, one style sheet, and the policy under which they are shown.

A page is one self-contained document: no script, no request to anywhere, one
inline style sheet whose digest is in the policy.
"""

from __future__ import annotations

import base64
import hashlib
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
_STYLE = _TEMPLATES.get_template("style.css").render().strip()
#: The style sheet as the policy names it (CSP 3, hash-source).
STYLE_SOURCE = f"'sha256-{base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()}'"

#: ``Content-Security-Policy`` of pages without a form. Who may frame a page is for the host to say: the API adds
#: ``frame-ancestors``.
READ_POLICY = f"default-src 'none'; style-src {STYLE_SOURCE}; base-uri 'none'; form-action 'none'"
#: ``Content-Security-Policy`` of the start page, which has forms.
FORM_POLICY = f"default-src 'none'; style-src {STYLE_SOURCE}; base-uri 'none'; form-action 'self'"


def page(template: str, policy: str, **values: Any) -> bytes:
    """Fill in a template; every value is escaped unless it is Markup. The policy also stands in the page itself."""
    made = _TEMPLATES.get_template(template)
    return made.render(style=Markup(_STYLE), policy=policy, **values).encode()
