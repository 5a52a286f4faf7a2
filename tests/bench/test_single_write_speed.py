"""Single entries over real HTTP, beside the floor of the same run: at least two thirds of what `TABLE.md` reached."""

from tests.bench import single_write
from tests.bench.single_write import Size
from tests.databases import Databases

SMALL = Size(athletes=20, clients=24, requests=150, rounds=3)
REACHED = {"sqlite": 0.15, "postgresql": 0.045}  # in the slower of several runs; TABLE.md has one


async def test_a_weigh_in_beside_a_bare_insert(databases: Databases, database_engine: str) -> None:
    measured = await single_write.weigh_in(databases, database_engine, SMALL)
    assert measured.ratio > 2 / 3 * REACHED[database_engine], measured
