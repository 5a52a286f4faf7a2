"""Stored documents take the new names of what was renamed, and give them back."""

import datetime as dt
from typing import Any

from alembic import command
from sqlalchemy import select
from sqlmodel import SQLModel

from service.store import tables
from service.store.migrate import _config, sync_engine, upgrade
from service.store.scope import table_of
from service.store.types import new_id
from tests.store.earlier import insert_then

DAY = dt.date(2026, 3, 1)


def test_findings_and_reasons_for_attention_are_renamed_there_and_back(empty_database_url: str) -> None:
    upgrade(empty_database_url, "0005")
    practice, athlete = tables.Practice(name="One"), new_id()
    mine = {"practice_id": practice.id, "athlete_id": athlete}
    person = {"external_id": "a", "sex": "female", "birth_date": dt.date(1994, 5, 2), "height_cm": 168.0}
    old = {
        "findings": [{"code": "data.doubted_entries", "evidence": {"doubted_28_d": 2}}, {"code": "rate.in_band"}],
        "gave_way": [],
    }
    reasons = {"code": "data.doubted_entries", "codes": ["data.doubted_entries", "check_in.no_food"]}
    review = {"week": "2026-W09", "as_of": DAY, "action": "hold", "severity": 0, "inputs_digest": ""}
    rows: list[tuple[type[SQLModel], dict[str, Any]]] = [
        (tables.Practice, practice.model_dump()),
        (tables.Athlete, {"practice_id": practice.id, "id": athlete, **person}),
        (tables.Review, {**mine, **review, "document": old, "attention": reasons}),
        (tables.CheckIn, {**mine, "date": DAY, "severity": 1, "attention": reasons}),
    ]
    engine = sync_engine(empty_database_url)
    with engine.begin() as connection:
        for table, row in rows:
            insert_then(connection, table, row)
    new = {
        "findings": [{"code": "data.suspect_entries", "evidence": {"suspect_28_d": 2}}, {"code": "rate.in_band"}],
        "overridden": [],
    }
    renamed = {"code": "data.suspect_entries", "codes": ["data.suspect_entries", "check_in.no_food"]}
    for move, revision, document, attention in (
        (command.upgrade, "0006", new, renamed),
        (command.downgrade, "0005", old, reasons),
    ):
        with engine.begin() as connection:
            config = _config()
            config.attributes["connection"] = connection
            move(config, revision)
        with engine.begin() as connection:
            stored = table_of(tables.Review).c
            assert connection.execute(select(stored.document, stored.attention)).one() == (document, attention)
            assert connection.execute(select(table_of(tables.CheckIn).c.attention)).scalar() == attention
    engine.dispose()
