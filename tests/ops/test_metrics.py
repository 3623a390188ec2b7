"""Numbers across workers: each is the sum of what was done, whichever worker is asked, and survives a killed one.

Read with the client library's own parser. Loopback only.
"""

from __future__ import annotations

import json
import os
import signal
import time
from collections import Counter
from pathlib import Path

import pytest
from prometheus_client import values
from prometheus_client.parser import text_string_to_metric_families

from service.app import create_app
from service.observe import metrics
from service.resources import demo_directory
from service.settings import Settings
from tests.ops.running import JSON, Service, running
from tests.support.pipeline import pipeline

pytestmark = pytest.mark.live

BODY = (demo_directory() / "exemplary.json").read_bytes()
Numbers = dict[tuple[str, tuple[tuple[str, str], ...]], float]


def numbers(service: Service) -> Numbers:
    status, _, body = service.call("GET", "/metrics")
    assert status == 200
    families = list(text_string_to_metric_families(body.decode()))
    assert all(family.documentation for family in families)
    # Those of the scrapes themselves go on rising.
    return {
        (sample.name.removeprefix("restraint_review_"), tuple(sorted(sample.labels.items()))): sample.value
        for family in families
        for sample in family.samples
        if sample.labels.get("route") != "/metrics"
    }


def test_the_numbers_are_those_of_all_workers(tmp_path: Path) -> None:
    with running(tmp_path, "tests.ops.crashing", PROFILES="all") as service:
        first = numbers(service)
        # A count that appears with its first event would not have risen, and no alert would see it.
        rules = [rule.id for rule in pipeline().rulebook.rules]
        assert all(first["disagreements_total", (("rule", rule),)] == 0 for rule in rules)
        assert all(first["rule_outcomes_total", (("outcome", "error"), ("rule", rule))] == 0 for rule in rules)
        assert all(first["workers_ended_total", (("how", how),)] == 0 for how in ("SIGSEGV", "SIGKILL", "SIGBUS"))
        sent: Counter[int] = Counter()
        received = 0
        for turn in range(30):
            for body, status in ((BODY, 200), (b"{", 400), (b'{"episode_ref": 1}', 422)):
                dispute = {"X-Test-Dispute": "RR-1001"} if body == BODY and turn < 3 else {}
                answer = service.call("POST", "/v1/reviews", body, {**JSON, **dispute})
                assert answer[0] == status
                sent[status] += 1
                received += len(answer[2])
        assert service.call("GET", "/nowhere")[0] == 404
        time.sleep(1.2)  # a worker passes its outcomes on once a second
        workers = {line["pid"] for line in service.lines() if line.get("route") == "/v1/reviews"}
        assert len(workers) == 2, "both have had some"
        found = numbers(service)
        assert all(numbers(service) == found for _ in range(8)), "the same from either worker"

        def grown(name: str, **labels: str) -> float:
            key = (name, tuple(sorted(labels.items())))
            return found.get(key, 0) - first.get(key, 0)

        route = "/v1/reviews"
        for status, count in sent.items():
            assert grown("requests_total", route=route, method="POST", status=str(status)) == count
        assert grown("requests_total", route="none", method="GET", status="404") == 1
        assert [grown("refused_total", code=code) for code in ("not-json", "invalid-episode", "not-found")] == [
            30,
            30,
            1,
        ]
        everything = sum(sent.values())
        assert grown("request_seconds_count", route=route) == everything
        assert grown("request_seconds_bucket", route=route, le="+Inf") == everything
        assert 0 < grown("request_seconds_sum", route=route) < 60
        assert grown("request_bytes_count", route=route) == everything
        assert grown("request_bytes_sum", route=route) == 30 * (len(BODY) + len(b"{") + len(b'{"episode_ref": 1}'))
        assert grown("response_bytes_sum", route=route) == received
        assert grown("disagreements_total", rule="RR-1001") == 3
        book = pipeline()
        review = book.review(BODY, "application/json", "default")
        for rule, outcome in review.outcomes.items():
            assert grown("rule_outcomes_total", rule=rule, outcome=outcome) == 30
        assert sum(value for (name, _), value in found.items() if name == "rule_outcomes_total") == 30 * len(
            review.outcomes
        )
        assert found["workers_ready", ()] == 2
        builds = [dict(labels) for name, labels in found if name == "info"]
        assert {build["profile"]: build["profile_digest"] for build in builds} == book.rulebook.profile_digests
        assert {build["ruleset_digest"] for build in builds} == {book.rulebook.digest}
        assert all(found["info", tuple(sorted(build.items()))] == 1 for build in builds)

        # Killed once a second has passed, a worker takes nothing with it, and its place is taken with its files.
        folder = service.folder()
        files = sorted(each.name for each in folder.iterdir())
        for _ in range(2):
            old = service.workers()
            os.kill(old[0], signal.SIGKILL)
            end = time.monotonic() + 30
            while (
                len(service.workers()) < 2 or old[0] in service.workers() or numbers(service)["workers_ready", ()] < 2
            ):
                assert time.monotonic() < end
                time.sleep(0.05)
        after = numbers(service)
        assert after["workers_ended_total", (("how", "SIGKILL"),)] == 2
        assert {key: after[key] for key in found if key[0] != "workers_ended_total"} == {
            key: value for key, value in found.items() if key[0] != "workers_ended_total"
        }
        assert sorted(each.name for each in folder.iterdir()) == files
    assert not folder.exists()


def test_the_room_that_is_kept_is_enough(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every rule with every outcome and a disagreement, every route with every status, in the library's own files."""
    # Set to what they are, so that they are put back afterwards.
    monkeypatch.setattr("prometheus_client.values.ValueClass", values.ValueClass)
    monkeypatch.setattr(metrics, "_numbers", metrics._numbers)
    monkeypatch.setattr(metrics._shared, "folder", None)
    monkeypatch.setattr(metrics._shared, "slot", "worker-0")
    monkeypatch.setenv("PROMETHEUS_MULTIPROC_DIR", "")
    metrics.share(tmp_path, 0)
    kept = {each.name: each.stat().st_size for each in tmp_path.iterdir()}
    built = pipeline()
    rules = [rule.id for rule in built.rulebook.rules]
    for outcome in ("finding", "clear", "not_applicable", "not_assessable", "error"):
        for rule in rules:
            metrics._numbers.outcomes.labels(rule, outcome).inc()
            metrics._numbers.disagreements.labels(rule).inc()
    app = create_app(Settings(), built)
    for route in {str(rule) for rule in app.url_map.iter_rules()}:
        for status in (200, 204, 304, 400, 401, 403, 404, 405, 406, 408, 413, 415, 422, 429, 500, 503):
            for method in ("GET", "HEAD", "POST", "OPTIONS", "PUT", "other"):
                metrics.answered(route, method, status, "invalid-episode", 0.1, 100, 100)
    for number in range(100):
        metrics._numbers.info.labels(
            "0.2.0", "restraint 0.2.0", f"sha256:{'0' * 64}", f"profile-{number}", f"sha256:{'1' * 64}"
        ).set(1)
    assert {each.name: each.stat().st_size for each in tmp_path.iterdir()} == kept, "none had to grow"
    used = {name: int.from_bytes((tmp_path / name).read_bytes()[:4], "little") for name in kept}
    assert used["counter_worker-0.db"] > 100_000, json.dumps(used)
