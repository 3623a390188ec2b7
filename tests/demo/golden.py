"""The readable golden of each demo episode: one line an instance of a finding.

``python -m tests.demo.golden`` writes them anew after a change of the rules;
read the difference before keeping it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from service.resources import demo_directory
from tests.support.pipeline import demo_names, pipeline
from tests.support.reviews import instances

HERE = Path(__file__).parent
GOLDEN = HERE / "golden"


def episodes() -> dict[str, bytes]:
    """Every episode that has a golden, by its name."""
    paths = [demo_directory() / f"{name}.json" for name in demo_names()]
    return {path.stem: path.read_bytes() for path in [*paths, HERE / "chart_restrained.json"]}


def lines(document: dict[str, Any]) -> list[str]:
    """``severity rule place place ...`` for every instance, in the order of the review; a missing member by its own pointer.

    After them what is only counted, what is covered, and what stays unjudged.
    """
    found = [
        " ".join([f["severity"], f["rule"]["id"], *(p.get("missing") or p["pointer"] or "/" for p in f["pointers"])])
        for f in instances(document)
    ]
    found += [f"counted {each['rule']} {each['facts']}" for each in document["counted"]]
    found += [f"covered {each['rule']} {each['facts']} by {each['by']}" for each in document["covered"]]
    for each in document["unjudged"]:
        because = [f"{cause['path']} {cause['state']}" for cause in each["because"]]
        found.append(" ".join(["unjudged", each["severity"], each["rule"]["id"], *because]))
    return found


def main() -> None:
    """Write every golden."""
    GOLDEN.mkdir(exist_ok=True)
    for name, body in episodes().items():
        found = lines(pipeline().review(body, "application/json", "default").document)
        (GOLDEN / f"{name}.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
