"""Numbers for Prometheus: what is counted, under which names, and that nothing else is. Read with its own parser."""

from __future__ import annotations

from prometheus_client.parser import text_string_to_metric_families

from service.app import create_app
from service.observe import metrics, trace
from service.pipeline import Pipeline
from service.settings import Settings

CANARY = "Zq7canaryXw"
JSON = {"Content-Type": "application/json"}


def numbers() -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    families = text_string_to_metric_families(metrics.exposition().decode())
    return {(sample.name, tuple(sorted(sample.labels.items()))): sample.value for f in families for sample in f.samples}


def test_requests_and_outcomes_are_counted(pipeline: Pipeline) -> None:
    client = create_app(Settings(), pipeline).test_client()
    before = numbers()
    assert client.post("/v1/reviews", data=b'{"episode_ref":"a"}', headers=JSON).status_code == 200
    assert client.post(f"/v1/reviews?{CANARY}=1", data=b"{}", headers=JSON).status_code == 400
    assert client.open(f"/{CANARY}", method=CANARY).status_code == 404
    after = numbers()
    grown = {key: value - before.get(key, 0) for key, value in after.items() if value != before.get(key, 0)}

    def labels(**named: str) -> tuple[tuple[str, str], ...]:
        return tuple(sorted(named.items()))

    count = "restraint_review_requests_total"
    assert grown[count, labels(route="/v1/reviews", method="POST", status="200")] == 1
    assert grown[count, labels(route="none", method="other", status="404")] == 1
    assert grown["restraint_review_refused_total", labels(code="bad-query")] == 1
    assert grown["restraint_review_request_seconds_count", labels(route="/v1/reviews")] == 2
    outcomes = sum(value for (name, _), value in grown.items() if name == "restraint_review_rule_outcomes_total")
    assert outcomes == len(pipeline.rulebook.rules), "each rule once"
    assert {name for name, _ in after if not name.startswith("restraint_review_")} == set()
    assert CANARY not in metrics.exposition().decode()


def test_disagreements_are_counted_by_rule() -> None:
    key = ("restraint_review_disagreements_total", (("rule", "RR-1001"),))
    before = numbers().get(key, 0)
    metrics.reviewed({"RR-1001": "error"}, ("RR-1001",))
    assert numbers()[key] == before + 1


def test_the_trace_context_is_read_as_the_recommendation_says() -> None:
    # Examples of W3C Trace Context, section 3.2 (Recommendation of 23 November 2021); the ids are the ones it shows.
    good = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"
    assert trace.ids(good) == ("4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7")
    assert trace.ids("cc" + good[2:] + "-what-a-later-version-adds") == trace.ids(good)
    for bad in ("", good.upper(), "ff" + good[2:], good + "-more", good[:-1], "00-" + "0" * 32 + good[35:],
                good[:36] + "0" * 16 + "-01", good + "\n", f"00-{CANARY}"):  # fmt: skip
        assert trace.ids(bad) is None
