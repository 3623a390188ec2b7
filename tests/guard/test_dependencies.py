"""What the service imports is what it asks for: tools of the tests must not stand in for a dependency."""

from __future__ import annotations

import subprocess
import sys
from importlib import metadata

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

_LOADED = """
import sys
before = set(sys.modules)
import service.cli, service.server.gunicorn
print(*{name.partition(".")[0] for name in set(sys.modules) - before})
"""


def asked_for() -> set[str]:
    """Names of the distributions that a plain install brings, with what they ask for in turn."""
    found, left = set[str](), [Requirement("restraint-review")]
    while left:
        wanted = left.pop()
        name = canonicalize_name(wanted.name)
        extras = wanted.extras or {""}
        if name in found and extras == {""}:
            continue
        found.add(name)
        for text in metadata.requires(name) or ():
            need = Requirement(text)
            if need.marker is None or any(need.marker.evaluate({"extra": extra}) for extra in extras):
                left.append(need)
    return found


def test_every_module_that_the_server_loads_comes_with_a_plain_install() -> None:
    done = subprocess.run([sys.executable, "-c", _LOADED], capture_output=True, text=True, check=True, timeout=60)
    brought, by = asked_for(), metadata.packages_distributions()
    loaded = {top: {canonicalize_name(name) for name in by[top]} for top in done.stdout.split() if top in by}
    assert "gunicorn" in loaded
    assert {top for top, names in loaded.items() if names.isdisjoint(brought)} == set()
