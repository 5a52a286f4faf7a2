"""Where each line of an import file lies, and whose it is: a file is taken in athlete by athlete, however it is sorted.

An athlete's lines are kept together, in the file's order among themselves, so that what follows from them is worked
out once. A file is looked through once for the places of its lines, which takes some 25 bytes of memory a line.
"""

import csv
import mmap
import re
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import orjson
from numpy.typing import NDArray

LINES, BYTES = 2000, 4_000_000  # of a window, about: a transaction; others' writes go in between
MAX_LINE_BYTES = 1_000_000
_WHOSE = re.compile(rb'"(?:athlete|external_id)"\s*:\s*"([^"\\]*)"')
_LINE_END = re.compile(rb"\r\n|\r|\n")
_MARK = b"\xef\xbb\xbf"
Bytes = bytes | mmap.mmap


@dataclass(frozen=True)
class Record:
    """One line of the file, or what stands for one in a sheet: its number and its bytes."""

    number: int
    raw: bytes


@dataclass(frozen=True)
class Header:
    """What the first line of a sheet says: how it is written, and the names of its columns."""

    delimiter: str
    names: tuple[str, ...]


class Places:
    """The places of a file's lines, in the order in which they are taken in.

    Athletes are told apart by a checksum of their name: two that share one are taken in together, no more.
    """

    def __init__(self, file: Bytes) -> None:
        self.file = file
        self.starts, self.numbers, self.owners = array("q"), array("I"), array("I")
        self.header: Header | None = None

    def note(self, start: int, number: int, owner: bytes) -> None:
        """Note a line: its first byte, its number, whose it is."""
        self.starts.append(start)
        self.numbers.append(number)
        self.owners.append(crc32(owner))

    def windows(self) -> Iterator[tuple[list[Record], bool]]:
        """The lines in windows, and whether the next one begins with another athlete."""
        if not self.starts:
            return
        owners = np.frombuffer(self.owners, dtype=np.uint32)
        order = np.argsort(owners, kind="stable")
        ends = np.append(np.frombuffer(self.starts, dtype=np.int64)[1:], len(self.file))
        sizes = np.cumsum((ends - np.frombuffer(self.starts, dtype=np.int64))[order])
        last_of_athlete = np.flatnonzero(np.diff(owners[order])) + 1
        begin = 0
        while begin < len(order):
            end, whole = self._end(begin, sizes, last_of_athlete)
            yield [self._record(at, int(ends[at])) for at in order[begin:end].tolist()], whole
            begin = end

    def _end(self, begin: int, sizes: NDArray[np.int64], boundaries: NDArray[np.int64]) -> tuple[int, bool]:
        """Where a window ends, and whether an athlete's lines do so there."""
        before = int(sizes[begin - 1]) if begin else 0
        end = min(begin + LINES, int(np.searchsorted(sizes, before + BYTES, side="right")))
        end = max(end, begin + 1)
        if end >= len(sizes):
            return len(sizes), True
        at = int(np.searchsorted(boundaries, end, side="right"))
        if at and boundaries[at - 1] > begin:
            return int(boundaries[at - 1]), True
        return end, False

    def _record(self, at: int, end: int) -> Record:
        start = self.starts[at]
        if self.header is None:  # however long a line is, no more of it than shows that it is too long
            end = min(end, start + MAX_LINE_BYTES + 1)
        return Record(self.numbers[at], self.file[start:end])


@contextmanager
def places(path: Path, form: str) -> Iterator[Places]:
    """The places of a file's lines; `form` is `ndjson` or `csv`."""
    with path.open("rb") as file:
        if not path.stat().st_size:
            yield Places(b"")
            return
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
            found = Places(mapped)
            (_find_records if form == "csv" else _find_lines)(found, mapped)
            yield found


def _find_lines(found: Places, file: mmap.mmap) -> None:
    """Note the lines of JSON objects."""
    start, number, size = 0, 0, len(file)
    search, find, note = _WHOSE.search, file.find, found.note
    while start < size:
        number += 1
        end = find(b"\n", start) + 1 or size
        name = search(file, start, min(end, start + MAX_LINE_BYTES))
        note(start, number, name[1] if name else _whose(file[start : min(end, start + MAX_LINE_BYTES)]))
        start = end


def _whose(raw: bytes) -> bytes:
    """The name in a line that the quick look did not find: written with escapes, or there is none."""
    if b"\\" not in raw:
        return b""
    try:
        said = orjson.loads(raw)
    except orjson.JSONDecodeError:
        return b""
    name = said.get("athlete", said.get("external_id")) if isinstance(said, dict) else None
    return name.encode() if isinstance(name, str) else b""


def sheet_lines(file: Bytes, start: int, end: int, ended: Callable[[int], None] | None = None) -> Iterator[str]:
    """The physical lines of a part of a sheet, however long one is not all of it at once; `ended` is told each end."""
    while start < end:
        line_end = _LINE_END.search(file, start, min(start + MAX_LINE_BYTES, end))
        stop = line_end.end() if line_end else min(start + MAX_LINE_BYTES, end)
        raw = file[start:stop]
        start = stop
        if ended:
            ended(stop)
        yield raw.decode("utf-8", "surrogateescape")


def _find_records(found: Places, file: mmap.mmap) -> None:
    """Note the records of a sheet below its header."""
    at = [len(_MARK) if file[: len(_MARK)] == _MARK else 0]
    lines = sheet_lines(file, at[0], len(file), lambda end: at.__setitem__(0, end))
    first = next(lines, "")
    delimiter = max(",;\t", key=first.count)
    names = tuple(name.strip() for name in next(csv.reader([first], delimiter=delimiter), []))
    found.header = Header(delimiter, names)
    place = next((names.index(name) for name in ("athlete", "external_id") if name in names), None)
    reader = csv.reader(lines, delimiter=delimiter)
    while True:
        start = at[0]
        try:
            cells: Any = next(reader, None)
        except csv.Error:
            cells = []
        if cells is None:
            return
        name = cells[place].strip() if place is not None and place < len(cells) else ""
        found.note(start, reader.line_num + 1, name.encode("utf-8", "surrogateescape"))
