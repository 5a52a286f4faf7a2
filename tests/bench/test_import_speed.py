"""An import beside the floor of the same run, in either order and again: at least two thirds of what was reached."""

import pytest

from tests.bench.imports import measured
from tests.databases import Databases

REACHED = {  # TABLE.md
    "sqlite": {"athlete": 0.07, "day": 0.07, "again": 0.15},
    "postgresql": {"athlete": 0.12, "day": 0.12, "again": 0.15},
}


@pytest.mark.parametrize("case", ["athlete", "day", "again"])
async def test_an_import_beside_decoding_and_one_upsert(databases: Databases, database_engine: str, case: str) -> None:
    order = "athlete" if case == "athlete" else "day"
    found = await measured(databases, database_engine, order, case == "again", athletes=30, days=60)
    assert found.ratio > 2 / 3 * REACHED[database_engine][case], found
