"""Members that items of several sections share, and the type of a value that may be absent."""

from __future__ import annotations

from typing import TypeAlias, TypeVar

from .absence import Absent
from .declaration import Ident, Time

T = TypeVar("T")
#: A value of the record, or what stands in its place.
V: TypeAlias = T | Absent

ID = Ident("Opaque id, unique in its list; findings on an item without one cannot be accepted.")
ENTERED = Time("When this entry was written, if not at its own time.")
