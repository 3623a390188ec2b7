"""The table of settings in ``docker/README.md``: ``python -m tests.ops.guide [--write]``.

Without ``--write`` nothing is written; the exit status is 1 when the table is not what would be written.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

from service.settings import PREFIX, SETTINGS, Settings
from tests.support.written import put, write_or_compare

PAGE = Path(__file__).parents[2] / "docker" / "README.md"
MARK = "settings"


def _shown(value: object) -> str:
    if value is None or value == ():
        return ""
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


def table() -> str:
    """Every setting with its default and what it means."""
    defaults = {field.name: field.default for field in dataclasses.fields(Settings)}
    rows = [
        f"| `{PREFIX}{name}` | {_shown(defaults[name.lower()])} | {setting.says} |"
        for name, setting in SETTINGS.items()
    ]
    return "\n".join(["| setting | default | what it is |", "|---|---|---|", *rows])


if __name__ == "__main__":
    sys.exit(write_or_compare({PAGE: put(PAGE.read_text("utf-8"), MARK, table())}, write="--write" in sys.argv))
