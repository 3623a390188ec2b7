"""schemathesis over the whole contract, every check: ``python -m tests.ops.contract_fuzz --examples 100``.

Needs schemathesis (its program is found on the path or beside this Python).
The service runs as a child on loopback and asks for a key, so that a route
that answers without one is a failure. ``--examples`` is for each operation and
phase; 12 already make more than 10,000 cases, since each operation is also
covered systematically. The seed is fixed, so that a run can be repeated.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from service.commands import keys
from service.resources import openapi_path
from service.server import process
from service.settings import PREFIX, SCOPES

HERE = Path(__file__).parent
#: Every check but those that are left out below.
CHECKS = (
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
    "negative_data_rejection",
    "positive_data_acceptance",
    "missing_required_header",
    "unsupported_method",
    "allow_header_conformance",
    "ignored_auth",
    "use_after_free",
    "ensure_resource_availability",
)
#: Check -> why it is not run.
LEFT_OUT = {"object_level_authorization": "there are no objects of one caller that another could ask for"}
#: What takes a record: each member, with every wrong value, makes most of the cases.
OF_A_RECORD = ("/v1/reviews", "/cds-services/{service}")
#: The command makes at least so many.
CASES = 10_000


def program() -> str | None:
    """Where schemathesis is; None when it is not installed."""
    beside = str(Path(sys.executable).parent)
    return os.environ.get("SCHEMATHESIS") or shutil.which("schemathesis") or shutil.which("schemathesis", path=beside)


def run(examples: int, seed: int, seconds: float, *, whole: bool = True) -> tuple[int, int, str]:
    """(exit status, cases, what it said). Unless ``whole``, a record is not taken through every case of its schema."""
    found = program()
    if found is None:
        raise SystemExit("schemathesis is not installed")
    key, digest = keys.new_key()
    entry = {"name": "fuzz", "scopes": SCOPES, "keys": [digest]}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "clients.json"
        file.write_text(json.dumps({"clients": [entry]}))
        # The contract allows for a service that asks nobody; this one asks, so it is held to that.
        contract, open_to_all = Path(folder) / "openapi.yaml", "  - certificate: []\n  - {}\n"
        text = openapi_path().read_text("utf-8")
        assert text.count(open_to_all) == 1
        contract.write_text(text.replace(open_to_all, ""), "utf-8")
        config = (HERE / "schemathesis.toml").read_text("utf-8")
        for path in () if whole else OF_A_RECORD:
            named = f'include-path = "{path}"\n'
            assert config.count(named) == 1
            config = config.replace(named, f"{named}phases.coverage.enabled = false\n")
        Path(folder, "schemathesis.toml").write_text(config, "utf-8")
        settings = {"LOG_LEVEL": "error", "CLIENTS_FILE": str(file), "REQUESTS_PER_MINUTE": "1000000"}
        with process.running({PREFIX + name: value for name, value in settings.items()}) as (base, child):
            # It leaves a folder where it runs.
            return _run(found, base, child, key, examples, seed, seconds, folder)


def _run(
    found: str,
    base: str,
    child: subprocess.Popen[bytes],
    key: str,
    examples: int,
    seed: int,
    seconds: float,
    folder: str,
) -> tuple[int, int, str]:
    command = [
        found, "--config-file", str(Path(folder, "schemathesis.toml")), "run", str(Path(folder, "openapi.yaml")),
        "--url", base,
        "--header", f"Authorization: Bearer {key}",
        "--seed", str(seed), "--checks", ",".join(CHECKS), "--max-examples", str(examples),
        "--phases", "examples,coverage,fuzzing", "--warnings", "off",
    ]  # fmt: skip
    environ = {
        **os.environ,
        "SCHEMATHESIS_HOOKS": "tests.ops.schemathesis_hooks",
        "PYTHONPATH": str(HERE.parents[1]),
    }
    done = subprocess.run(
        command, env=environ, capture_output=True, text=True, timeout=seconds, check=False, cwd=folder
    )
    if child.poll() is not None:
        raise SystemExit("the service has ended")
    cases = re.search(r"([0-9,]+) generated", done.stdout)
    return done.returncode, int(cases[1].replace(",", "")) if cases else 0, done.stdout + done.stderr


def main() -> None:
    """Run and print what it said."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--examples", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=7200)
    arguments = parser.parse_args()
    status, cases, said = run(arguments.examples, arguments.seed, arguments.seconds)
    print(said[-20000:])
    print(f"{cases} cases, exit status {status}")
    raise SystemExit(status or cases < CASES)


if __name__ == "__main__":
    main()
