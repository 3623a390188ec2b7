"""Numbers with their units, as people write them."""

from __future__ import annotations

from .words import number


def unit(text: str) -> str:
    """A UCUM unit as people write it."""
    return {
        "mm[Hg]": "mmHg",
        "Cel": "°C",
        "a": "years",
        "wk": "weeks",
        "count": "",
        "score": "",
        "ratio": "",
        "deg": "°",
        "/min": "a minute",
    }.get(text, text)


def quantity(value: float, of: str) -> str:
    """A number with its unit: ``92 mmHg``. ``of``: UCUM unit."""
    return f"{number(value)} {unit(of)}".rstrip()
