"""Lines for the tests: demo episodes under references of their own, some in groups, some bad, some empty."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from tests.support.pipeline import demo, demo_names

BAD = b'{"episode_ref": 5}'
_TIME = re.compile(r'"(\d{4}-\d\d-\d\dT[^"]+)"')


def shifted(document: dict[str, Any], days: int) -> dict[str, Any]:
    """The same episode so many days later."""
    return dict(
        json.loads(
            _TIME.sub(
                lambda m: f'"{(datetime.fromisoformat(m[1]) + timedelta(days=days)).isoformat()}"', json.dumps(document)
            )
        )
    )


def line(document: dict[str, Any], group: str | None = None) -> bytes:
    """A document as one line."""
    return json.dumps(
        {**document, **({} if group is None else {"extensions": {"group": group}})}, ensure_ascii=False
    ).encode()


def some(number: int, names: tuple[str, ...] = (), bad_every: int = 0, grouped: bool = True) -> Iterator[bytes]:
    """So many lines: the named demo episodes (all of them) in turn, months in turn; every so often a bad and an empty one.

    ``grouped``: most name one of three groups.
    """
    chosen = names or demo_names()
    documents = [[shifted(demo(name), 31 * month) for name in chosen] for month in range(4)]
    for index in range(number):
        if bad_every and index % bad_every == bad_every - 1:
            yield BAD if index % (2 * bad_every) == bad_every - 1 else b"  "
            continue
        document = {**documents[index % 4][index // 4 % len(chosen)], "episode_ref": f"e-{index}"}
        yield line(document, f"station-{index % 3}" if grouped and index % 5 else None)


def write(path: Path, lines: Iterator[bytes]) -> Path:
    """A file of lines."""
    with path.open("wb") as stream:
        for each in lines:
            stream.write(each + b"\n")
    return path
