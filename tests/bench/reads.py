"""What a coach waits for beside the least that it can cost: processor time of one request, in the same run.

Estimates of 28 days, a review (computed, kept nothing of), the next session's prescriptions: of one athlete with half a
year of log, handed to the application as a server would. The floor is that of `night`, of one of twelve athletes (on
PostgreSQL opening the connection is most of so small a floor: look at the times there). A page of the attention list of
2,000 stands beside a bare SELECT of everybody's rows, see `test_attention_speed`.
"""

from collections.abc import Awaitable, Callable
from datetime import timedelta

import httpx

from service.application.practices import find_or_make_practice
from service.auth import SCOPES, insert_key
from service.main import create_app
from service.settings import Settings
from service.store.engine import Database
from service.store.scope import Scope
from tests.bench.measuring import Measured
from tests.bench.night import LAST, LIVES, floor_of, take_in, used_s
from tests.bench.test_attention_speed import attention
from tests.databases import Databases

ROUNDS, TIMES = 8, 3


async def reads(url: str, engine: object) -> dict[str, Measured]:
    """The reads by name: one request of each of several athletes, over and over."""
    database = Database(url)
    await take_in(database, LIVES, 1)
    async with database.writing() as connection:
        practice, _ = await find_or_make_practice(connection, "Fen Edge 0")
        key = (await insert_key(Scope(connection, practice), "bench", SCOPES))[1]
    await database.close()
    floor_s = await floor_of(url, engine) / LIVES
    app = create_app(Settings(database_url=url))
    headers = {"Authorization": f"Bearer {key}"}
    found = {}
    async with app.router.lifespan_context(app):
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://bench", headers=headers) as client:
            listed = (await client.get("/v1/athletes?limit=100")).json()["items"]
            paths = [f"/v1/athletes/{one['id']}" for one in listed][:ROUNDS]
            month = f"from={LAST - timedelta(days=27)}&to={LAST}"
            asked: dict[str, Callable[[str], Awaitable[httpx.Response]]] = {
                "estimates": lambda path: client.get(f"{path}/estimates?{month}"),
                "review": lambda path: client.post(f"{path}/reviews?dry_run=true", json={"as_of": str(LAST)}),
                "prescriptions": lambda path: client.get(f"{path}/prescriptions?on={LAST}"),
            }
            for name, ask in asked.items():

                async def work(ask: Callable[[str], Awaitable[httpx.Response]] = ask) -> None:
                    for path in paths * TIMES:
                        answer = await ask(path)
                        assert answer.status_code in (200, 201), answer.text

                await work()
                found[name] = Measured(await used_s(engine, work) / len(paths) / TIMES, floor_s)
    return found


_MEASURED: dict[tuple[int, str], dict[str, Measured]] = {}


def read(name: str) -> Callable[[Databases, str], Awaitable[Measured]]:
    """What measures one of the reads; all of them are made once for an engine."""

    async def measure(databases: Databases, engine: str) -> Measured:
        key = (id(databases), engine)
        if key not in _MEASURED:
            with databases.fresh(engine) as url:
                _MEASURED[key] = await reads(url, databases.engine(engine))
        return _MEASURED[key][name]

    return measure


async def attention_page(databases: Databases, engine: str) -> Measured:
    """A page of 100 of 2,000 athletes who all need the coach; the floor is the bare rows of all."""
    with databases.fresh(engine) as url:
        return await attention(url, 2000)
