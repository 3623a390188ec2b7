"""Where the shipped data lies, in an installed wheel and in a checkout alike."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_INSTALLED = _PACKAGE / "_data"


def _data(name: str) -> Path:
    installed = _INSTALLED / name
    return installed if installed.exists() else _PACKAGE.parent / name


def rules_directory() -> Path:
    """The folder of the rulebook: one folder for each phase, profiles, sources, vocabulary."""
    return _data("rules")


def openapi_path() -> Path:
    """The contract, as OpenAPI."""
    return _data("openapi.yaml")


def examples_directory() -> Path:
    """The folder with one example of each format, for the formats page."""
    return _PACKAGE / "formats" / "examples"


def demo_directory() -> Path:
    """The folder of the demo episodes, one JSON file each."""
    return _PACKAGE / "demo"
