"""A page of the attention list beside a bare SELECT of the rows it is made from, in the same run: a ratio.

Every athlete has an open review and a check-in to be seen to. Processor time of this process, as in `test_api_speed`.
`python -m tests.bench.test_attention_speed` prints the ratio for 10,000 athletes.
"""

import asyncio
import random
import sqlite3
from datetime import date
from typing import Any

import httpx
import psycopg
from sqlalchemy.engine import make_url

from service.application.practices import find_or_make_practice
from service.auth import SCOPES, insert_key
from service.domain.rules.findings import Severity
from service.main import create_app
from service.settings import Settings
from service.store.engine import Database
from service.store.scope import Scope
from service.store.tables import Athlete, CheckIn, Review
from service.store.types import new_id
from tests.bench.test_api_speed import Measured, cpu_s
from tests.databases import ENGINES, Databases

ROUNDS = 5
PAGE = 100
SELECTS = (
    "SELECT athlete_id, severity, attention FROM check_in",
    "SELECT id, athlete_id, severity, action, attention FROM review WHERE state = 'open'",
)


def graded(rng: random.Random, code: str) -> dict[str, Any]:
    """What a review or a check keeps for the list, and what the list is sorted by."""
    severity = rng.choice(list(Severity))
    reason = {"code": code, "severity": severity.value, "statement": "The cut runs at −1.20 %/week. " * 5}
    return {"severity": severity.rank, "attention": {"days_overdue": rng.randrange(9), "reasons": [reason] * 2}}


async def take_in(database: Database, athletes: int) -> str:
    """A practice in which everybody needs the coach; its key."""
    rng, ids = random.Random(1), [new_id() for _ in range(athletes)]
    body = {"sex": "female", "birth_date": date(1994, 5, 2), "height_cm": 168.0}
    found = {"week": "2026-W10", "as_of": date(2026, 3, 8), "action": "change_energy", "inputs_digest": ""}
    async with database.writing() as connection:
        practice_id, _ = await find_or_make_practice(connection, "Fen Edge")
        scope = Scope(connection, practice_id)
        rows = [{"id": one, "external_id": f"n-{number:05}", **body} for number, one in enumerate(ids)]
        await scope.insert(Athlete, rows)
        checks = [{"athlete_id": one, **graded(rng, "check_in.no_food")} for one in ids]
        await scope.insert(CheckIn, [{**row, "date": date(2026, 3, 8)} for row in checks])
        reviews = [{"athlete_id": one, **graded(rng, "rate.too_fast")} for one in ids]
        await scope.insert(Review, [{**row, **found, "id": new_id(), "document": {}} for row in reviews])
        return (await insert_key(scope, "bench", SCOPES))[1]


async def attention(url: str, athletes: int) -> Measured:
    """One page of the list, and the bare rows of everybody, once each."""
    database = Database(url)
    key = await take_in(database, athletes)
    await database.close()
    app = create_app(Settings(database_url=url))
    headers = {"Authorization": f"Bearer {key}"}

    async def page() -> None:
        for _ in range(ROUNDS):
            answer = await client.get(f"/v1/attention?limit={PAGE}")
            assert (answer.status_code, len(answer.json()["items"])) == (200, PAGE)

    async def bare() -> None:
        for _ in range(ROUNDS):
            for select in SELECTS:
                assert len(connection.execute(select).fetchall()) == athletes

    async with app.router.lifespan_context(app):
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://bench", headers=headers) as client:
            await client.get("/v1/attention?limit=1")  # what is built on a first request is not of the list
            service_s = await cpu_s(page, ROUNDS)
    connection: Any = sqlite3.connect(str(make_url(url).database)) if url.startswith("sqlite") else psycopg.connect(url)
    try:
        bare_s = await cpu_s(bare, ROUNDS)
    finally:
        connection.close()
    return Measured(service_s, bare_s)


async def test_a_page_of_the_attention_list_beside_a_bare_select(database_url: str) -> None:
    measured = await attention(database_url, 1000)
    assert measured.ratio > 0.08, measured


async def _report(databases: Databases) -> None:
    for engine in ENGINES:
        with databases.fresh(engine) as url:
            found = await attention(url, 10_000)
        print(
            f"{engine:10} ratio {found.ratio:.3f}: {found.service_s:.3f} s a page, {found.bare_s:.3f} s the bare rows"
        )


if __name__ == "__main__":
    every = Databases()
    asyncio.run(_report(every))
    every.close()
