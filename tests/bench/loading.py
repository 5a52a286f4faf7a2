"""How benchmarks fill a practice: through the import."""

import tempfile
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import orjson

from service.api.imports import import_file
from service.auth import Principal
from service.store.engine import Database

FIRST = date(2026, 1, 5)


async def keep(database: Database, caller: Principal, made: Sequence[dict[str, Any]]) -> None:
    """Take in some lines, every one of which must be good."""
    with tempfile.NamedTemporaryFile(suffix=".ndjson") as file:
        file.write(b"\n".join(map(orjson.dumps, made)))
        file.flush()
        done = await import_file(database, caller, Path(file.name), "ndjson")
    assert (done.state, done.lines_faulty) == ("done", 0)
