"""What a coach waits for beside the least that it can cost: processor time of one request, in the same run.

    python -m tests.bench.reads

Estimates of 28 days, a review (computed, kept nothing of), the next session's prescriptions: of one athlete with half a
year of log, handed to the application as a server would. The floor is that of `night`, of this one athlete. A page of
the attention list of 2,000 stands beside a bare SELECT of the page's rows in `test_attention_speed`.
"""

import asyncio
import sys
from collections.abc import Awaitable, Callable
from datetime import timedelta

import httpx

from service.application.practices import find_or_make_practice
from service.auth import SCOPES, insert_key
from service.main import create_app
from service.settings import Settings
from service.store.engine import Database
from service.store.scope import Scope
from tests.bench.night import LAST, LIVES, Night, Processor, floor, take_in
from tests.databases import ENGINES, Databases

ROUNDS = 8


async def reads(url: str, engine: object) -> dict[str, Night]:
    """The reads by name; one request of each of several athletes."""
    database, processor = Database(url), Processor(engine)
    await take_in(database, LIVES, 1)
    async with database.writing() as connection:
        practice, _ = await find_or_make_practice(connection, "Fen Edge 0")
        key = (await insert_key(Scope(connection, practice), "bench", SCOPES))[1]
    await database.close()
    floor_s = min(floor(url, processor) for _ in range(3)) / LIVES
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
                    for path in paths:
                        answer = await ask(path)
                        assert answer.status_code in (200, 201), answer.text

                await work()
                found[name] = Night(await processor.of(work) / len(paths), floor_s)
    return found


async def _report(engines: tuple[str, ...]) -> None:
    databases = Databases()
    try:
        for engine in engines:
            with databases.fresh(engine) as url:
                for name, found in (await reads(url, databases.engine(engine))).items():
                    print(
                        f"{engine:10} {name:13} {1e3 * found.service_s:.1f} ms, floor {1e3 * found.floor_s:.2f} ms,"
                        f" ratio {found.ratio:.4f}",
                        flush=True,
                    )
    finally:
        databases.close()


if __name__ == "__main__":
    asyncio.run(_report(tuple(word for word in sys.argv[1:] if word in ENGINES) or ENGINES))
