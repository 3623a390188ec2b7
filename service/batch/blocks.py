"""Byte ranges of line files: every line belongs to the range in which it begins.

There are two passes. The first only counts the lines of every range, so that
in the second each range knows the number of its first line. Neither pass needs
another range, so ranges go to processes or machines in any order.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from itertools import accumulate
from typing import NamedTuple

from service.formats.media_types import NEMSIS, media_type_of

from . import lines
from .store import store_of

#: Bytes of one range: about a second of work, which is the most that a crash costs.
SIZE = 1024 * 1024
_PIECE = 256 * 1024
#: Bytes at the start of a file that tell an XML document from lines.
_HEAD = 256


class Block(NamedTuple):
    """The range ``[start, stop)`` of one input, in bytes; ``input`` is the input's place in the list of inputs."""

    input: int
    path: str
    start: int
    stop: int
    #: An XML document, which is never cut: it has charts in place of lines.
    whole: bool = False


class Placed(NamedTuple):
    """A block and how many lines of its file end before it."""

    block: Block
    lines_before: int


def cut(paths: Iterable[str], size: int = SIZE) -> list[Block]:
    """The ranges of ``size`` bytes of all inputs, in order. Raises OSError for a file that cannot be read."""
    found = []
    for index, path in enumerate(paths):
        total = store_of(path).size(path)
        with store_of(path).open(path) as stream:
            whole = media_type_of(stream.read(_HEAD)) == NEMSIS
        if whole:
            found.append(Block(index, path, 0, total, whole))
            continue
        found += [Block(index, path, start, min(start + size, total)) for start in range(0, total, size)]
    return found


def count_lines(block: Block) -> int:
    """How many lines end inside the range; the last of a file counts with or without a line break. A document has none."""
    if block.whole:
        return 0
    total, left, last = 0, block.stop - block.start, b""
    with store_of(block.path).open(block.path) as stream:
        stream.seek(block.start)
        while left > 0 and (piece := stream.read(min(_PIECE, left))):
            total += piece.count(b"\n")
            left -= len(piece)
            last = piece[-1:]
        return total + (last != b"\n" and not stream.read(1))


def place(blocks: list[Block], ended: Iterable[int]) -> list[Placed]:
    """Every block with the number of lines of its file before it. ``ended``: for each block, how many lines end in it."""
    found: list[Placed] = []
    running = list(accumulate(ended, initial=0))
    first_of_file = 0
    for index, block in enumerate(blocks):
        if block.start == 0:
            first_of_file = running[index]
        found.append(Placed(block, running[index] - first_of_file))
    return found


def owned(placed: Placed, most: int = lines.MOST_BYTES) -> Iterator[tuple[int, bytes | None]]:
    """(line number from 1, line) of every line that begins in the range, empty ones too; None for one over ``most`` bytes."""
    block = placed.block
    number, at = placed.lines_before + 1, block.start
    with store_of(block.path).open(block.path) as stream:
        if at > 0:
            stream.seek(at - 1)
            length = next((length for _, length in lines.read(stream, most)), 0)
            # What begins before the range is skipped, up to its line break.
            number += length > 1
            at += length - 1
        for line, length in lines.read(stream, most) if at < block.stop else ():
            yield number, line
            number += 1
            at += length
            if at >= block.stop:
                return


def digest(placed: Placed, most: int = lines.MOST_BYTES) -> str:
    """SHA-256 over the lines that begin in the range and their numbers, as hexadecimal digits: the same for the same work."""
    made = hashlib.sha256()
    for number, line in owned(placed, most):
        made.update(b"%d:%d:" % (number, -1 if line is None else len(line)))
        made.update(line or b"")
    return made.hexdigest()
