"""A night beside its floor (see `night`): two thirds of what was reached when this was written, in a small practice.

The more athletes are worked through together the higher the ratios: `TABLE.md` has those of 480.
"""

from tests.bench.night import nights
from tests.databases import Databases


async def test_nights_beside_packed_columns_and_a_compiled_filter(databases: Databases, database_url: str) -> None:
    engine = "sqlite" if database_url.startswith("sqlite") else "postgresql"
    measured = await nights(database_url, databases.engine(engine), athletes=72, practices=3)
    ratios = {name: found.ratio for name, found in measured.items()}
    print({name: round(ratio, 4) for name, ratio in ratios.items()})
    assert ratios["review"] > 0.02, ratios
    assert ratios["news"] > 0.03, ratios
    assert ratios["quiet"] > 0.25, ratios
    assert ratios["silent"] > 0.025, ratios
