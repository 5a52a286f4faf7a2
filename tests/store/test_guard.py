"""The guard finds statements that reach a practice's rows without naming the practice."""

import uuid

import pytest
from sqlalchemy import delete, exists, func, insert, select, text, union_all, update

from service.store.engine import Database
from service.store.guard import CROSS_PRACTICE, TenantFilterMissing, unfiltered_tables
from service.store.prepared import PRACTICE, PreparedStatement
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Practice, Review, WeighIn

ATHLETE, WEIGH_IN, REVIEW = table_of(Athlete), table_of(WeighIn), table_of(Review)
OTHER = ATHLETE.alias("other")
MINE = uuid.UUID(int=1)


def named(table: object) -> object:
    return table.c.practice_id == MINE  # type: ignore[attr-defined]


GOOD = [
    select(ATHLETE).where(named(ATHLETE)),
    select(ATHLETE.c.id).where(named(ATHLETE), ATHLETE.c.external_id == "x").order_by(ATHLETE.c.id).limit(1),
    update(ATHLETE).where(named(ATHLETE)).values(name="x"),
    delete(WEIGH_IN).where(named(WEIGH_IN)),
    select(ATHLETE.c.id, WEIGH_IN.c.date)
    .join(WEIGH_IN, WEIGH_IN.c.athlete_id == ATHLETE.c.id)
    .where(named(ATHLETE), named(WEIGH_IN)),
    select(ATHLETE).where(named(ATHLETE), exists().where(named(WEIGH_IN), WEIGH_IN.c.athlete_id == ATHLETE.c.id)),
    select(ATHLETE.c.id, WEIGH_IN.c.date)
    .join(WEIGH_IN, (WEIGH_IN.c.practice_id == ATHLETE.c.practice_id) & (WEIGH_IN.c.athlete_id == ATHLETE.c.id))
    .where(named(ATHLETE)),
    select(OTHER).where(named(OTHER)),
    select(ATHLETE.c.id).where(named(ATHLETE)).union_all(select(REVIEW.c.id).where(named(REVIEW))),
    select(select(REVIEW.c.id).where(named(REVIEW)).subquery()),
    insert(WEIGH_IN),
    text("SELECT 1"),
    select(table_of(Practice)),
    select(func.now()),
]
BAD = [
    (select(ATHLETE), {"athlete"}),
    (select(ATHLETE.c.practice_id), {"athlete"}),
    (select(ATHLETE).where(ATHLETE.c.external_id == "x"), {"athlete"}),
    (select(func.count()).select_from(ATHLETE), {"athlete"}),
    (update(ATHLETE).where(ATHLETE.c.id == MINE).values(name="x"), {"athlete"}),
    (delete(WEIGH_IN).where(WEIGH_IN.c.id == MINE), {"weigh_in"}),
    (
        select(ATHLETE.c.id).join(WEIGH_IN, WEIGH_IN.c.athlete_id == ATHLETE.c.id).where(named(ATHLETE)),
        {"weigh_in"},
    ),
    (select(ATHLETE).where(named(ATHLETE), ATHLETE.c.id.in_(select(WEIGH_IN.c.athlete_id))), {"weigh_in"}),
    (select(ATHLETE).where(named(ATHLETE), exists().where(WEIGH_IN.c.athlete_id == ATHLETE.c.id)), {"weigh_in"}),
    (select(select(REVIEW.c.id).subquery()), {"review"}),
    (select(OTHER), {"athlete"}),
    (select(ATHLETE.c.id, OTHER.c.id).join(OTHER, OTHER.c.id == ATHLETE.c.id).where(named(ATHLETE)), {"athlete"}),
    (select(ATHLETE).where(named(ATHLETE), ATHLETE.c.id.in_(select(ATHLETE.c.id))), {"athlete"}),
    (select(ATHLETE).where(ATHLETE.c.practice_id == ATHLETE.c.id), {"athlete"}),
    (
        select(ATHLETE.c.id).join(
            WEIGH_IN, (WEIGH_IN.c.practice_id == ATHLETE.c.practice_id) & (WEIGH_IN.c.athlete_id == ATHLETE.c.id)
        ),
        {"athlete", "weigh_in"},
    ),
    (select(select(REVIEW.c.id).subquery()).where(named(ATHLETE)), {"review"}),
    (union_all(select(ATHLETE.c.id).where(named(ATHLETE)), select(REVIEW.c.id)), {"review"}),
    (select(ATHLETE).where(ATHLETE.c.practice_id != MINE), {"athlete"}),
    (select(ATHLETE).where((ATHLETE.c.practice_id == MINE) | (ATHLETE.c.name == "x")), {"athlete"}),
    (select(ATHLETE).where(~(ATHLETE.c.practice_id == MINE)), {"athlete"}),
    (insert(WEIGH_IN).from_select(["id"], select(REVIEW.c.id)), {"review"}),
    (text("SELECT * FROM athlete"), {"athlete"}),
]


@pytest.mark.parametrize("statement", GOOD, ids=range(len(GOOD)))
def test_a_statement_that_names_the_practice_passes(statement: object) -> None:
    assert unfiltered_tables(statement) == set()


@pytest.mark.parametrize(("statement", "tables"), BAD, ids=range(len(BAD)))
def test_a_statement_that_does_not_is_found(statement: object, tables: set[str]) -> None:
    assert unfiltered_tables(statement) == tables


async def test_the_database_refuses_it_on_both_ways_in(database: Database, practice: uuid.UUID) -> None:
    statement = select(ATHLETE)
    async with database.reading() as connection:
        with pytest.raises(TenantFilterMissing, match="athlete"):
            await connection.execute(statement)
        said = {CROSS_PRACTICE: "a test"}
        assert (await connection.execute(statement, execution_options=said)).all() == []
        assert await Scope(connection, practice).rows(Scope(connection, practice).select(Athlete)) == []
    with pytest.raises(TenantFilterMissing, match="weigh_in"):
        async with database.writing() as connection:
            await connection.execute(delete(WEIGH_IN))


def test_no_statement_is_prepared_that_looks_across_practices() -> None:
    PreparedStatement(select(ATHLETE).where(ATHLETE.c.practice_id == PRACTICE))
    PreparedStatement(insert(WEIGH_IN))
    for statement in (select(ATHLETE), update(ATHLETE).where(ATHLETE.c.id == MINE).values(name="x"), delete(WEIGH_IN)):
        with pytest.raises(TenantFilterMissing):
            PreparedStatement(statement)
