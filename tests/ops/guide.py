"""The table of settings for the guide: ``python -m tests.ops.guide``."""

from __future__ import annotations

import dataclasses

from service.settings import PREFIX, SETTINGS, Settings


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
    print(table())
