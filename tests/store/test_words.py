"""A column that holds one of a few words refuses all others, on both databases."""

import datetime as dt
import re
import types
import uuid
from collections.abc import Iterator
from typing import Any, Literal, Union, get_args, get_origin

import pytest
from alembic import command
from sqlalchemy import func, inspect, select, text
from sqlalchemy.exc import IntegrityError
from sqlmodel import SQLModel

from service.domain.evidence import Region
from service.store import tables
from service.store.engine import Database
from service.store.migrate import _config, sync_engine, upgrade
from service.store.scope import Scope, table_of
from service.store.types import BodyRegion, new_id
from tests.store.earlier import insert_then

DAY = dt.date(2026, 3, 1)
ATHLETE = {"external_id": "a", "sex": "female", "birth_date": dt.date(1994, 5, 2), "height_cm": 168.0}
ROWS: dict[type[SQLModel], dict[str, Any]] = {  # what each needs beside its athlete
    tables.Phase: {"kind": "cut", "starts_on": DAY},
    tables.Replay: {"policy_id": "default", "from_date": DAY, "to_date": DAY},
    tables.Measurement: {"date": DAY, "method": "scan"},
    tables.FoodDay: {"date": DAY, "state": "fast"},
    tables.EntryRevision: {
        "entry_id": new_id(), "revision": 1, "kind": "meal", "content": {}, "replaced_by": "delete",
    },
    tables.Review: {
        "week": "2026-W09", "as_of": DAY, "action": "hold", "severity": 0, "document": {}, "inputs_digest": "",
    },
    tables.Decision: {"review_id": new_id(), "decision": "declined"},
    tables.ImportRun: {},
    tables.Restriction: {"region": "knee", "since": DAY, "level": 4.0},
    tables.OwnFood: {"slug": "own-a", "name": "A", "food_group": "grain", "state": "raw", "source": "the label"},
}  # fmt: skip


def test_the_regions_are_those_of_the_domain() -> None:
    assert get_args(BodyRegion) == get_args(Region)


def _words(annotation: Any) -> set[str] | None:
    """The words of a field that is a Literal, or one or nothing."""
    parts = get_args(annotation) if get_origin(annotation) in (Union, types.UnionType) else (annotation,)
    literals = [part for part in parts if get_origin(part) is Literal]
    return set(get_args(literals[0])) if literals else None


def _of_words() -> Iterator[tuple[type[SQLModel], str, set[str]]]:
    for table in vars(tables).values():
        if isinstance(table, type) and issubclass(table, SQLModel) and hasattr(table, "__table__"):
            for name, field in table.model_fields.items():
                if words := _words(field.annotation):
                    yield table, name, words


def test_each_such_column_has_a_constraint_with_its_words(database_url: str) -> None:
    engine = sync_engine(database_url)
    found, expected = {}, {}
    for table, name, words in _of_words():
        expected[f"ck_{table.__tablename__}_{name}"] = words
        for constraint in inspect(engine).get_check_constraints(str(table.__tablename__)):
            found[constraint["name"]] = set(re.findall(r"'([^']*)'", constraint["sqltext"]))
    engine.dispose()
    assert found == expected and len(expected) == 18


@pytest.mark.parametrize(("table", "column"), [(table, column) for table, column, _ in _of_words()])
async def test_another_word_is_refused(
    database: Database, practice: uuid.UUID, table: type[SQLModel], column: str
) -> None:
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        athlete = {**ATHLETE, "id": new_id()}
        if table is not tables.Athlete:
            await scope.insert(tables.Athlete, [athlete])
        row = {"athlete_id": athlete["id"], **ROWS[table]} if table in ROWS else athlete
        with pytest.raises(IntegrityError, match=f"ck_{table.__tablename__}_{column}"):
            async with connection.begin_nested():
                await scope.insert(table, [{**row, column: "something else"}])
        await scope.insert(table, [row])


def test_rows_and_what_refers_to_them_outlive_the_way_there_and_back(empty_database_url: str) -> None:
    """SQLite makes a table anew to add a constraint: nothing must go with the old one."""
    upgrade(empty_database_url, "0006")
    practice, athlete = tables.Practice(name="One"), new_id()
    of_practice = {"practice_id": practice.id}
    mine = {**of_practice, "athlete_id": athlete}
    rows: list[tuple[type[SQLModel], dict[str, Any]]] = [
        (tables.Practice, practice.model_dump()),
        (tables.Athlete, {**of_practice, "id": athlete, **ATHLETE}),
        (tables.WeighIn, {**mine, "date": DAY, "mass_kg": 64.2}),
        *((table, {**mine, **row}) for table, row in ROWS.items() if table is not tables.Restriction),  # came later
    ]
    engine = sync_engine(empty_database_url)
    with engine.begin() as connection:
        for table, row in rows:
            insert_then(connection, table, row)
    for move, revision in ((command.upgrade, "head"), (command.downgrade, "0006")):
        with engine.begin() as connection:
            config = _config()
            config.attributes["connection"] = connection
            move(config, revision)
        with engine.begin() as connection:
            for table, _ in rows:
                assert connection.execute(select(func.count()).select_from(table_of(table))).scalar() == 1, table
            if connection.dialect.name == "sqlite":
                assert connection.execute(text("PRAGMA foreign_key_check")).all() == []
            partial = next(index for index in inspect(connection).get_indexes("review") if "open" in str(index["name"]))
            assert "state" in str(partial["dialect_options"][f"{connection.dialect.name}_where"])
    engine.dispose()
