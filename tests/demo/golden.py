"""The readable golden of each demo episode: one line a finding.

``python -m tests.demo.golden`` writes them anew after a change of the rules;
read the difference before keeping it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from service.resources import demo_directory
from tests.support.pipeline import demo_names, pipeline

HERE = Path(__file__).parent
GOLDEN = HERE / "golden"


def episodes() -> dict[str, bytes]:
    """Every episode that has a golden, by its name."""
    paths = [demo_directory() / f"{name}.json" for name in demo_names()]
    return {path.stem: path.read_bytes() for path in [*paths, HERE / "chart_restrained.json"]}


def lines(document: dict[str, Any]) -> list[str]:
    """``severity rule pointer pointer ...`` for every finding, in the order of the review."""
    return [
        " ".join([f["severity"], f["rule"]["id"], *(p["pointer"] or "/" for p in f["pointers"])])
        for f in document["findings"]
    ]


def main() -> None:
    """Write every golden."""
    GOLDEN.mkdir(exist_ok=True)
    for name, body in episodes().items():
        found = lines(pipeline().review(body, "application/json", "default").document)
        (GOLDEN / f"{name}.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
