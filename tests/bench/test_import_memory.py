"""A file of half a million mixed lines, sorted by day, is taken in with the memory that a tenth of it takes."""

import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import orjson
import pytest

from tests.bench.imports import lines
from tests.conftest import STEELYARD, environment
from tests.databases import Databases

ATHLETES = 500


def written(path: Path, days: int) -> int:
    count = 0
    with path.open("wb") as file:
        for line in lines("day", ATHLETES, days):
            count += 1
            file.write(orjson.dumps(line) + b"\n")
    return count


def peak_mb(url: str, key: str, path: Path, count: int) -> float:
    """The most memory of its own (anonymous, not the file's pages) that the command had."""
    command = [STEELYARD, "import", str(path), "--key", key]
    process = subprocess.Popen(command, env=environment(url), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    peak_kb = 0
    while process.poll() is None:
        status = Path(f"/proc/{process.pid}/status").read_text()
        peak_kb = max([peak_kb, *(int(line.split()[1]) for line in status.splitlines() if line.startswith("RssAnon:"))])
        time.sleep(0.05)
    output, errors = process.communicate()
    assert f"done: {count} of {count} lines kept" in output, (output, errors)
    return peak_kb / 1024


@pytest.mark.long
@pytest.mark.engines("sqlite")
def test_half_a_million_lines_take_no_more_memory(
    databases: Databases, database_engine: str, practice_key: Callable[[str, str], str], tmp_path: Path
) -> None:
    peaks = {}
    for days in (22, 226):
        path = tmp_path / f"{days}.ndjson"
        count = written(path, days)
        with databases.fresh(database_engine) as url:
            peaks[count] = peak_mb(url, practice_key(url, "Fen Edge"), path, count)
    (small, few_mb), (large, many_mb) = sorted(peaks.items())
    assert large > 500_000 > 9 * small, peaks
    print(f"{small:,} lines {few_mb:.0f} MB, {large:,} lines {many_mb:.0f} MB")
    assert many_mb < 1.3 * few_mb, peaks
