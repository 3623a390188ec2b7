"""A charting host: a chart in, dangers and questions at their fields out (``python -m tests.examples.host URL FILE``)."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import requests

SECONDS, LONGEST_WAIT = 25, 60
SEND_AGAIN = (408, 429, 500, 503)  # once, and so after no answer at all: a review changes nothing


class Host:
    """One chart and what is shown of it. ``fields``: JSON Pointer -> the questions that stand at that field."""

    def __init__(self, address: str, chart: dict[str, Any], key: str | None = None) -> None:
        self._url, self._chart, self._session = f"{address}/v1/reviews", chart, requests.Session()
        self._session.headers.update({"Authorization": f"Bearer {key}"} if key else {})
        self.accepted: list[dict[str, str]] = []
        self.fields: dict[str, list[str]] = {}

    def close(self) -> dict[str, Any] | None:
        """Send the chart and show the review; None, and said so, where there is none. The chart can always be closed."""
        try:
            answer = self._send()
            answered = answer.json()
        except (requests.RequestException, ValueError):
            print("NOT CHECKED: the review service cannot be reached.")
            return None
        if answer.status_code != 200:
            print(f"NOT CHECKED: {answered['title']}. {answered['detail']}")
            for error in answered.get("errors", ()):
                print(f"  {error.get('pointer', '')}: {error['detail']}")
            return None
        self._show(answered)
        return dict(answered)

    def accept(self, fingerprint: str, reason: str, by: str, at: str) -> None:
        """Keep with the chart that somebody accepts an instance: by an opaque id, at a time with its offset."""
        self.accepted.append({"fingerprint": fingerprint, "reason": reason, "by": by, "at": at})

    def _send(self, *, again: bool = True) -> requests.Response:
        body, asked = {**self._chart, "accepted": self.accepted}, ""
        try:
            answer = self._session.post(self._url, json=body, timeout=SECONDS)
            if not again or answer.status_code not in SEND_AGAIN:
                return answer
            asked = answer.headers.get("Retry-After", "")
        except requests.RequestException:
            if not again:
                raise
        time.sleep(min(int(asked) if asked.isdecimal() else 1, LONGEST_WAIT))
        return self._send(again=False)

    def _show(self, review: dict[str, Any]) -> None:
        for danger in review["tell_now"]:
            print(f"TELL NOW: {danger['text']}")
        for one in review["unjudged"]:
            if one["severity"] == "critical" and "tell_now" not in one:  # those with one stand above already
                print(f"CANNOT TELL: {one['title']}. {one['message']}")
        self.fields = {}
        for finding in review["findings"]:
            if finding["handled_by"] == "author":
                for instance in finding["instances"]:
                    self._ask(instance, finding["remediation"])
        for field, questions in self.fields.items():
            print(f"{field}: {' / '.join(questions)}")
        for notice in review["notices"]:
            print(f"Note: {notice['text']}")
        print(*review["cautions"], sep="\n")

    def _ask(self, instance: dict[str, Any], remediation: str) -> None:
        places = instance["pointers"]
        place = next((each for each in places if "missing" in each), places[0])
        entry = f"entry {place['item']}: " if "item" in place else ""
        field = place.get("missing", place["pointer"])
        self.fields.setdefault(field, []).append(f"{entry}{instance['message']} {remediation}")


if __name__ == "__main__":
    Host(sys.argv[1], json.loads(Path(sys.argv[2]).read_text(encoding="utf-8"))).close()
