"""An import beside the floor of the same run, in either order and again: at least two thirds of what was reached."""

import pytest

from tests.bench.imports import measured
from tests.databases import Databases

REACHED = {  # TABLE.md
    "sqlite": {"athlete": 0.061, "day": 0.067, "again": 0.124},
    "postgresql": {"athlete": 0.105, "day": 0.124, "again": 0.198},
}


@pytest.mark.parametrize("case", ["athlete", "day", "again"])
async def test_an_import_beside_decoding_and_one_upsert(databases: Databases, database_engine: str, case: str) -> None:
    order = "athlete" if case == "athlete" else "day"
    found = await measured(databases, database_engine, order, case == "again", athletes=30, days=60)
    assert found.ratio > 2 / 3 * REACHED[database_engine][case], found
