"""What lies in docker/ agrees with the service, and with published schemas where their tools are installed."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from service.observe import metrics
from service.settings import PREFIX, SETTINGS

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
KUBERNETES = sorted(path for path in (DOCKER / "kubernetes").glob("*.yaml") if path.name != "kustomization.yaml")


def _tool(name: str) -> str:
    found = shutil.which(name) or shutil.which(name, path=str(Path(sys.executable).parent))
    if found is None:
        pytest.skip(f"{name} is not installed: docker/SECURITY.md says where it comes from")
    return found


def _passes(*command: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_dockerfile_by_hadolint() -> None:
    _passes(_tool("hadolint"), "--failure-threshold", "style", str(DOCKER / "Dockerfile"))


def test_the_compose_file_by_its_published_schema() -> None:
    _passes(_tool("check-jsonschema"), "--builtin-schema", "vendor.compose-spec", str(DOCKER / "compose.yaml"))


@pytest.mark.parametrize("path", KUBERNETES, ids=lambda path: path.stem)
def test_the_manifests_by_the_published_schemas(path: Path) -> None:
    _passes(_tool("kubernetes-validate"), "--strict", str(path))


def test_every_manifest_is_in_the_base() -> None:
    base = yaml.safe_load((DOCKER / "kubernetes" / "kustomization.yaml").read_text())
    assert sorted(base["resources"]) == [path.name for path in KUBERNETES]


@pytest.mark.parametrize("path", sorted(DOCKER.rglob("*")), ids=lambda path: path.name)
def test_every_setting_that_is_named_is_one(path: Path) -> None:
    if path.is_file():
        named = set(re.findall(rf"{PREFIX}([A-Z_]+)", path.read_text("utf-8")))
        assert named <= SETTINGS.keys()


def test_every_metric_that_is_shown_or_watched_is_there() -> None:
    help_ = {line.split()[2] for line in metrics.exposition().decode().splitlines() if line.startswith("# HELP")}
    # A metric with labels that has never been used is described all the same.
    series = help_ | {f"{name}_{part}" for name in help_ for part in ("bucket", "sum", "count")}
    for name in ("dashboard.json", "alerts.yaml"):
        named = set(re.findall(r"restraint_review_[a-z_]+", (DOCKER / "monitoring" / name).read_text()))
        assert len(named) > 4
        assert named <= series, name


def _expressions() -> dict[str, list[str]]:
    panels = json.loads((DOCKER / "monitoring" / "dashboard.json").read_text())["panels"]
    alerts = yaml.safe_load((DOCKER / "monitoring" / "alerts.yaml").read_text())["groups"][0]["rules"]
    return {
        **{panel["title"]: [target["expr"] for target in panel["targets"]] for panel in panels},
        **{alert["alert"]: [alert["expr"]] for alert in alerts},
    }


def test_every_label_that_is_asked_for_is_one_of_its_metric() -> None:
    labels = {f"restraint_review_{each._name.split('restraint_review_')[-1]}": {*each._labelnames}
              for each in vars(metrics._numbers).values() if hasattr(each, "_labelnames")}  # fmt: skip
    for where, expressions in _expressions().items():
        for expression in expressions:
            for clause in re.finditer(
                r"(restraint_review_[a-z_]+?)(_total|_bucket|_sum|_count)?(?:{([^}]*)})?(?=[^a-z_{])", f"{expression} "
            ):
                asked = set(re.findall(r"(\w+)\s*[=!]~?", clause[3] or ""))
                asked |= {
                    word.strip() for group in re.findall(r"by \(([^)]*)\)", expression) for word in group.split(",")
                }
                assert asked - {"le"} <= labels[clause[1]], where


def test_the_alerts_fire_when_they_should() -> None:
    _passes(_tool("promtool"), "test", "rules", str(ROOT / "tests" / "ops" / "alerts.yaml"))
    _passes(_tool("promtool"), "check", "config", str(DOCKER / "monitoring" / "prometheus.yaml"))


def test_every_alert_has_a_case() -> None:
    cases = yaml.safe_load((ROOT / "tests" / "ops" / "alerts.yaml").read_text())["tests"]
    fired = {each["alertname"] for case in cases for each in case["alert_rule_test"] if each["exp_alerts"]}
    alerts = yaml.safe_load((DOCKER / "monitoring" / "alerts.yaml").read_text())["groups"][0]["rules"]
    assert fired == {alert["alert"] for alert in alerts}


def test_the_dashboard_has_places_that_do_not_overlap() -> None:
    panels = json.loads((DOCKER / "monitoring" / "dashboard.json").read_text())["panels"]
    taken: set[tuple[int, int]] = set()
    for panel in panels:
        at = panel["gridPos"]
        cells = {(x, y) for x in range(at["x"], at["x"] + at["w"]) for y in range(at["y"], at["y"] + at["h"])}
        assert not cells & taken and at["x"] + at["w"] <= 24
        taken |= cells
    assert len({panel["id"] for panel in panels}) == len(panels)


def test_the_container_has_nothing_it_does_not_need() -> None:
    review = yaml.safe_load((DOCKER / "compose.yaml").read_text())["services"]["review"]
    assert review["read_only"] is True and review["cap_drop"] == ["ALL"] and "ports" not in review
    pod = yaml.safe_load((DOCKER / "kubernetes" / "deployment.yaml").read_text())["spec"]["template"]["spec"]
    rights = pod["containers"][0]["securityContext"]
    assert rights == {
        "allowPrivilegeEscalation": False,
        "readOnlyRootFilesystem": True,
        "capabilities": {"drop": ["ALL"]},
    }
    assert pod["automountServiceAccountToken"] is False and pod["securityContext"]["runAsNonRoot"] is True
    policy = yaml.safe_load((DOCKER / "kubernetes" / "network.yaml").read_text())["spec"]
    assert policy["egress"] == [] and "Egress" in policy["policyTypes"]


def test_the_proxy_sends_no_request_to_a_second_worker() -> None:
    """A body that ends one worker would end the next; the client decides whether it sends it again."""
    config = (DOCKER / "proxy" / "nginx.conf").read_text()
    assert re.findall(r"proxy_next_upstream (.*);", config) == ["off"]


def test_health_and_metrics_are_not_published_with_the_reviews() -> None:
    services = list(yaml.safe_load_all((DOCKER / "kubernetes" / "service.yaml").read_text()))
    ports = [{port["targetPort"] for port in each["spec"]["ports"]} for each in services]
    assert ports == [{"http"}, {"operations"}]


def test_the_lock_has_every_dependency_with_hashes() -> None:
    import tomllib

    from packaging.requirements import Requirement

    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    pinned = dict(re.findall(r"^([a-z0-9.-]+)==([^ ]+)", (DOCKER / "requirements.lock").read_text(), re.MULTILINE))
    for each in map(Requirement, project["dependencies"]):
        assert each.specifier.contains(pinned[each.name.lower().replace("_", "-")]), each
    tests_only = {Requirement(each).name.lower() for each in project["optional-dependencies"]["test"]} - {
        Requirement(each).name.lower() for each in project["dependencies"]
    }
    # cryptography comes with the signatures of tokens.
    assert not (tests_only - {"cryptography"}) & pinned.keys()
    for lock in ("requirements.lock", "build.lock"):
        blocks = re.split(r"\n(?=[a-z])", (DOCKER / lock).read_text().strip())
        assert all("--hash=sha256:" in block for block in blocks)


def test_the_page_for_agency_it_names_every_event_to_act_on() -> None:
    """Every line of level error that the service can write, but those that repeat another."""
    said = {"self-test-failed": "not-started follows", "line-not-reviewed": "its answer says it"}
    source = "".join(path.read_text("utf-8") for path in (ROOT / "service").rglob("*.py"))
    events = set(re.findall(r'(?:emit\(\s*"error",|crash\()\s*"([a-z-]+)"', source))
    assert len(events) > 5
    page = (DOCKER / "README.md").read_text("utf-8")
    assert {event for event in events - said.keys() if f"`{event}`" not in page} == set()
