"""The contract under the tools of other languages: TypeScript types and client, Redocly, Spectral.

Needs node and npm, which fetches the tools by name::

    python -m tests.contract.other_tools    # writes tests/contract/OTHER_TOOLS.txt; exit status 1 if a tool complains
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from service.api.contract_parts import episode_document, json_part
from service.resources import openapi_path

HERE = Path(__file__).parent
KEPT = HERE / "OTHER_TOOLS.txt"
#: openapi-typescript 7 cannot work with TypeScript 7.
PACKAGES = ("openapi-typescript", "openapi-fetch", "typescript@5", "@redocly/cli", "@stoplight/spectral-cli")
_COMMANDS = (
    "openapi-typescript openapi-json.yaml -o review.ts",
    "openapi-typescript openapi.yaml -o whole.ts",
    "tsc --noEmit --strict --target es2022 --module nodenext --skipLibCheck host.ts",
    "redocly lint --config redocly.yaml openapi.yaml openapi-json.yaml",
    "spectral lint --fail-severity hint -r spectral.yaml openapi.yaml openapi-json.yaml",
)
#: What the generator always writes of parts that a contract does not have.
_EMPTY = re.compile(
    r"^export type (?:webhooks|\$defs) = |^    (?:requestBodies|pathItems|headers|parameters): never;|\?: never;"
)
_TIMES = re.compile(r"\[?\d+(?:\.\d+)?m?s\]?")


def nevers(types: str) -> list[str]:
    """Lines in which a type of ours came out as ``never``."""
    code = [
        line
        for line in types.splitlines()
        if re.search(r"\bnever\b", line) and not line.lstrip().startswith(("*", "/*"))
    ]
    return [line.strip() for line in code if not _EMPTY.search(line)]


def run(folder: Path) -> tuple[bool, list[str]]:
    """(whether nothing is wrong, what the tools said)."""
    shutil.copytree(HERE / "tools", folder, dirs_exist_ok=True)
    contract = openapi_path().read_text("utf-8")
    (folder / "openapi.yaml").write_text(contract, "utf-8")
    (folder / "openapi-json.yaml").write_bytes(json_part(contract))
    (folder / "episode.schema.json").write_bytes(episode_document())
    subprocess.run(
        ["npm", "install", "--no-audit", "--no-fund", "--silent", *PACKAGES], cwd=folder, check=True, timeout=300
    )
    holds, said = True, []
    for package in PACKAGES:
        name = package.removesuffix("@5")
        version = json.loads((folder / "node_modules" / name / "package.json").read_text("utf-8"))["version"]
        said.append(f"{name} {version}")
    for command in _COMMANDS:
        name, *arguments = command.split()
        done = subprocess.run(
            [str(folder / "node_modules" / ".bin" / name), *arguments],
            cwd=folder, capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
        lines = _TIMES.sub("(time)", done.stdout + done.stderr).replace(f"{folder}/", "").splitlines()
        # Redocly's box about the version of node is not about the contract.
        said += [
            "",
            f"$ {command}",
            *(line.rstrip() for line in lines if line.strip() and line.strip()[0] not in "╔║╚"),
        ]
        said.append(f"exit status {done.returncode}")
        holds &= done.returncode == 0
    for types in ("review.ts", "whole.ts"):
        made = folder / types
        found = nevers(made.read_text("utf-8")) if made.exists() else ["it was not made"]
        said += ["", f"never in {types}: {len(found)}", *found]
        holds &= not found
    return holds, said


def main() -> int:
    """0 when no tool complains, else 1."""
    with tempfile.TemporaryDirectory() as folder:
        holds, said = run(Path(folder))
    KEPT.write_text("\n".join([*said, ""]), "utf-8")
    print(KEPT.read_text("utf-8"))
    return 0 if holds else 1


if __name__ == "__main__":
    sys.exit(main())
