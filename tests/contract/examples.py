"""The examples of answers in openapi.yaml: each is what the service answers.

::

    python -m tests.contract.examples           # says whether they are equal
    python -m tests.contract.examples --write   # asks again and writes them
"""

from __future__ import annotations

import json
import sys
from typing import Any

from service.api.contract import with_part
from service.api.problems import Refusal
from service.app import create_app
from service.engine.fence import NotEvaluated
from service.observe import log
from service.pipeline import Pipeline
from service.resources import demo_directory, openapi_path
from service.settings import Settings
from tests.contract.checked import Client, Contract
from tests.support.pipeline import Failing

JSON = {"Content-Type": "application/json"}
FHIR = "application/fhir+json"
#: Name of a response -> what goes wrong inside, where no request alone brings it about.
_FAULTS: dict[str, Exception] = {
    "UnknownCaller": Refusal("unknown-caller"),
    "NotAllowed": Refusal("not-allowed"),
    "TooManyRequests": Refusal("too-many-requests"),
    "BodyTooSlow": Refusal("body-too-slow"),
    "BodyTooLarge": Refusal("body-too-large"),
    "InternalError": ValueError(),
    "Unavailable": NotEvaluated(),
}


def answers(pipeline: Pipeline) -> dict[str, Any]:
    """Name -> example, as ``components/examples`` has it."""
    contract = Contract()
    requests = contract.document["paths"]["/v1/reviews"]["post"]["requestBody"]["content"]["application/json"]
    faulty = requests["examples"]["faulty"]["value"]
    clean = json.loads((demo_directory() / "exemplary.json").read_bytes())
    client = Client(create_app(Settings(), pipeline), contract)
    hook = {
        "hook": "example.restraint-review.chart-close",
        "hookInstance": "2f6f1f6e-6a60-4f0a-9f57-3b1c2f4f8d11",
        "context": {"episode": clean},
    }
    discharge = {
        **hook,
        "hook": "encounter-discharge",
        "context": {"userId": "Practitioner/1", "patientId": "1", "encounterId": "2"},
    }
    lines = f"{json.dumps(clean)}\n{{}}\n".encode()
    found = {
        "ReviewClean": client.review(clean).json,
        "ReviewFaulty": client.review(faulty).json,
        "OutcomeClean": client.review(clean, headers={"Accept": FHIR}).json,
        "BatchLines": client.call("POST", "/v1/batches", lines, {"Content-Type": "application/x-ndjson"}).body.decode(),
        "CdsServices": client.get("/cds-services").json,
        "Cards": client.call("POST", "/cds-services/restraint-review", json.dumps(hook).encode(), JSON).json,
        "Rule": client.get("/v1/rules/RR-1204").json,
        "Profile": client.get("/v1/profiles/default").json,
        "Problem": client.get("/problems/not-json").json,
        "Live": client.get("/health/live").json,
        "Ready": client.get("/health/ready").json,
        "BadRequest": client.review(b'{"episode_ref": ').json,
        "NotFound": client.get("/v1/nothing").json,
        "MethodNotAllowed": client.call("PUT", "/v1/reviews").json,
        "NotAcceptable": client.review(faulty, headers={"Accept": "image/png"}).json,
        "UnsupportedMediaType": client.call("POST", "/v1/reviews", b"a", {"Content-Type": "text/plain"}).json,
        "NotAnEpisode": client.review({"episode_ref": "a", "handover": {"time": "noon"}}).json,
        "NotNemsis": client.call("POST", "/v1/batches", b"<a/>", {"Content-Type": "application/xml"}).json,
        "PrefetchMissing": client.call(
            "POST", "/cds-services/restraint-review", json.dumps(discharge).encode(), JSON
        ).json,
        "OutcomeOfRefusal": client.call("POST", "/v1/reviews", b"{", {"Content-Type": FHIR}).json,
    }
    for name, error in _FAULTS.items():
        app = create_app(Settings(), Failing(pipeline, error))  # type: ignore[arg-type]
        with app.test_client() as failing:
            found[name] = failing.post("/v1/reviews", data=b"{}", headers=JSON).get_json(force=True)
    return {name: {"value": found[name]} for name in sorted(found)}


def main(write: bool) -> int:
    """0 when the examples are what the service answers (or were made to), else 1."""
    from tests.support.pipeline import pipeline

    log.configure("error", lambda line: None)
    text = openapi_path().read_text("utf-8")
    wanted = with_part(text, "answers", answers(pipeline()))
    if write:
        openapi_path().write_text(wanted, "utf-8")
    elif wanted != text:
        print("The examples are not what the service answers: python -m tests.contract.examples --write")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main("--write" in sys.argv[1:]))
