"""Files of standards that are not ours to pass on: in a folder ``shared`` beside the repository, or elsewhere."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

#: Taken out of the environment: the service refuses settings that it does not know, and this is none of its own.
_GIVEN = os.environ.pop("RESTRAINT_REVIEW_SHARED", None)


def shared(name: str) -> Path:
    """A path of that folder (``RESTRAINT_REVIEW_SHARED`` says where it is); skips where it is not."""
    homes = [Path(_GIVEN)] if _GIVEN else [parent / "shared" for parent in Path(__file__).resolve().parents]
    for home in homes:
        if (home / name).exists():
            return home / name
    pytest.skip(f"the shared file {name} is not beside this repository")
