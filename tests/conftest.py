from __future__ import annotations

# Before any test: what it takes out of the environment must not reach the service.
from tests.support import standards as standards
