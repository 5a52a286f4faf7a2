"""The migrations give the tables of the models on both databases, and everything a practice owns is keyed by it."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Connection, inspect

from service.store.engine import Database
from service.store.migrate import _config, is_current, sync_engine, upgrade
from service.store.tables import metadata

# Found across practices: the clock's due work, and the practice that a key names.
ACROSS = {
    ("athlete", ("next_review_at", "practice_id", "id")),
    ("athlete", ("next_check_in_at", "practice_id", "id")),
    ("api_key", ("digest",)),
    ("idempotent_answer", ("kept_at",)),
}


@contextmanager
def looking(url: str) -> Iterator[Connection]:
    """A connection of its own, in a transaction."""
    engine = sync_engine(url)
    try:
        with engine.begin() as connection:
            yield connection
    finally:
        engine.dispose()


def test_the_migrated_schema_is_that_of_the_models(empty_database_url: str) -> None:
    upgrade(empty_database_url)
    with looking(empty_database_url) as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_migrations_run_again_change_nothing_and_go_back_to_nothing(empty_database_url: str) -> None:
    upgrade(empty_database_url)
    upgrade(empty_database_url)
    with looking(empty_database_url) as connection:
        config = _config()
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
    with looking(empty_database_url) as connection:
        assert set(inspect(connection).get_table_names()) <= {"alembic_version"}
    upgrade(empty_database_url)


async def test_readiness_follows_the_schema(empty_database_url: str) -> None:
    database = Database(empty_database_url)
    assert not await is_current(database)
    await database.close()
    upgrade(empty_database_url)
    database = Database(empty_database_url)
    assert await is_current(database)
    await database.close()


def test_every_key_and_index_of_a_practices_table_leads_with_the_practice(database_url: str) -> None:
    found: list[tuple[str, tuple[str, ...]]] = []
    with looking(database_url) as connection:
        inspector = inspect(connection)
        owned = [name for name in inspector.get_table_names() if name not in ("practice", "alembic_version")]
        for table in owned:
            found.append((table, tuple(inspector.get_pk_constraint(table)["constrained_columns"])))
            for constraint in (*inspector.get_unique_constraints(table), *inspector.get_indexes(table)):
                found.append((table, tuple(str(name) for name in constraint["column_names"])))
    assert len(owned) > 15
    assert {(table, columns) for table, columns in found if columns[0] != "practice_id"} == ACROSS


def test_rows_go_with_their_athlete_and_their_practice(database_url: str) -> None:
    with looking(database_url) as connection:
        inspector = inspect(connection)
        for table in inspector.get_table_names():
            columns = {column["name"] for column in inspector.get_columns(table)}
            keys = inspector.get_foreign_keys(table)
            if "practice_id" not in columns:
                continue
            owners = {key["referred_table"]: key for key in keys if key["options"].get("ondelete") == "CASCADE"}
            assert "practice" in owners or "athlete" in owners, table
            if "athlete" in owners:
                assert owners["athlete"]["constrained_columns"] == ["practice_id", "athlete_id"]


@pytest.mark.parametrize("url", ["mysql://u@h/d", "oracle://u@h/d"])
def test_other_databases_are_refused(url: str) -> None:
    with pytest.raises(ValueError, match="SQLite or PostgreSQL"):
        Database(url)
