"""The scope that each route needs."""

from __future__ import annotations

#: Route -> the scope it needs.
NEEDS: dict[str, str] = {
    "/v1/reviews": "review",
    "/try": "review",
    "/v1/batches": "batch",
    "/v1/measures": "batch",
    "/v1/rules": "rulebook",
    "/v1/rules/<key>": "rulebook",
    "/v1/profiles": "rulebook",
    "/v1/profiles/<key>": "rulebook",
    "/v1/facts": "rulebook",
    "/cds-services/<service>": "review",
    "/cds-services/<service>/feedback": "review",
    "/metrics": "metrics",
}
#: Routes that are open to all: they say nothing about any record or caller.
OPEN = frozenset(
    {
        "/",
        "/openapi.yaml",
        "/openapi-json.yaml",
        "/episode.schema.json",
        "/problems/<code>",
        "/v1/formats",
        "/cds-services",
        "/health/live",
        "/health/ready",
    }
)
