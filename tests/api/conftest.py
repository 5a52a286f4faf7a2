"""The service in this process, on both databases, with the tenant guard on: `api("POST", "/athletes", {...})`."""

import asyncio
import json
import threading
import uuid
from collections.abc import Coroutine, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, TypeVar

import httpx
import pytest
from fastapi import FastAPI
from sqlalchemy import select

from service.application.practices import find_or_make_practice
from service.auth import SCOPES, insert_key
from service.main import create_app
from service.settings import Settings
from service.store.engine import Database
from service.store.guard import CROSS_PRACTICE
from service.store.scope import Scope, Table, table_of
from tests.databases import Databases

T = TypeVar("T")
NOTHING_KNOWN = [  # what a coach must acknowledge to plan a deficit before anything was logged
    "screening.unanswered", "data.no_estimate", "data.no_weigh_in_lately", "data.few_food_days",
    "limit.deficit_possible",
]  # fmt: skip
ATHLETE = {"sex": "female", "birth_date": "1994-05-02", "height_cm": 168, "time_zone": "Europe/Lisbon"}


class Loop:
    """An event loop in a thread of its own, so that one app serves a whole module of plain tests."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.thread.start()

    def run(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(120)

    def close(self) -> None:
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join()
        self.loop.close()


class Call:
    """One request, for `Api.together`."""

    def __init__(self, method: str, path: str, body: Any = None, **options: Any) -> None:
        self.method, self.path, self.body, self.options = method, path, body, options


@dataclass
class Api:
    """A client of the app with one key; paths are below /v1 unless they start with //."""

    app: FastAPI
    http: httpx.AsyncClient
    loop: Loop
    practice_id: uuid.UUID
    key: str | None

    def __call__(self, method: str, path: str, body: Any = None, **options: Any) -> httpx.Response:
        return self.loop.run(self.send(Call(method, path, body, **options)))

    def together(self, calls: Sequence[Call]) -> list[httpx.Response]:
        """Send all at once."""

        async def all_of_them() -> list[httpx.Response]:
            return await asyncio.gather(*(self.send(call) for call in calls))

        return self.loop.run(all_of_them())

    async def send(self, call: Call) -> httpx.Response:
        options = dict(call.options)
        headers = httpx.Headers(options.pop("headers", None))
        if self.key is not None:
            headers.setdefault("authorization", f"Bearer {self.key}")
        if call.body is not None:
            options["content"] = json.dumps(call.body)
        if "content" in options:
            headers.setdefault("content-type", "application/json")
        path = call.path.removeprefix("/") if call.path.startswith("//") else f"/v1{call.path}"
        response = await self.http.request(call.method, path, headers=headers, **options)
        if response.status_code >= 400 and call.method != "HEAD":
            check_problem(response)
        return response

    def with_key(self, key: str | None) -> "Api":
        return Api(self.app, self.http, self.loop, self.practice_id, key)

    def key_of(self, *scopes: str, athlete_id: str | None = None, expires_at: datetime | None = None) -> "Api":
        """A client with a new key of the same practice."""
        bound = None if athlete_id is None else uuid.UUID(athlete_id)

        async def make() -> str:
            async with self.database.writing() as connection:
                scope = Scope(connection, self.practice_id)
                _, secret = await insert_key(scope, "test", scopes or SCOPES, bound, expires_at)
                return secret

        return self.with_key(self.loop.run(make()))

    def stranger(self) -> "Api":
        """A client of another practice with all scopes."""
        return self.loop.run(_new_practice(self.app, self.http, self.loop))

    def for_tests(self) -> "Api":
        """A client of a test practice, whose clock can be moved."""
        return self.loop.run(_new_practice(self.app, self.http, self.loop, test=True))

    def move_clock(self, days_ago: int, hour: int = 12) -> None:
        """Move the clock of a test practice to an hour (UTC) so many days before today."""
        at = datetime.combine(today() - timedelta(days=days_ago), datetime.min.time(), UTC) + timedelta(hours=hour)
        moved = self("POST", "/sandbox/clock", {"now": at.isoformat()})
        assert moved.status_code == 200, moved.text

    @property
    def database(self) -> Database:
        database: Database = self.app.state.database
        return database

    def insert(self, table: Table, rows: Sequence[dict[str, Any]]) -> None:
        """Put rows of this practice straight into the database."""

        async def put() -> None:
            async with self.database.writing() as connection:
                await Scope(connection, self.practice_id).insert(table, rows)

        self.loop.run(put())

    def rows(self, table: Table, **where: Any) -> list[dict[str, Any]]:
        """Rows of this practice straight from the database."""
        columns = table_of(table).c
        statement = select(table_of(table)).where(columns.practice_id == self.practice_id)
        for name, value in where.items():
            statement = statement.where(columns[name] == (uuid.UUID(value) if name.endswith("_id") else value))

        async def read() -> list[dict[str, Any]]:
            async with self.database.reading() as connection:
                found = await connection.execute(statement, execution_options={CROSS_PRACTICE: "a test looks"})
                return [dict(row) for row in found.mappings()]

        return self.loop.run(read())

    def all(self, path: str) -> list[dict[str, Any]]:
        """Every item of a list, page by page."""
        items: list[dict[str, Any]] = []
        following: str | None = f"/v1{path}"
        while following:
            answer = self("GET", f"/{following}")
            assert answer.status_code == 200, answer.text
            items += answer.json()["items"]
            following = answer.links.get("next", {}).get("url")
        return items

    def athlete(self, **fields: Any) -> dict[str, Any]:
        """A new athlete."""
        body = {**ATHLETE, "external_id": f"a-{uuid.uuid4().hex[:12]}", **fields}
        answer = self("POST", "/athletes", body)
        assert answer.status_code == 201, answer.text
        return answer.json()

    def load(self, content: str | bytes, media_type: str = "application/x-ndjson", query: str = "") -> dict[str, Any]:
        """Import to the end."""
        headers = {"content-type": media_type, "prefer": "wait=60"}
        answer = self("POST", f"/imports{query}", content=content, headers=headers)
        assert answer.status_code == 202, answer.text
        return answer.json()


def check_problem(response: httpx.Response) -> None:
    """RFC 9457, section 3: the media type, and a body whose status is that of the answer."""
    assert response.headers["content-type"] == "application/problem+json", (response.status_code, response.text)
    body = response.json()
    assert body["status"] == response.status_code
    assert body["type"] and body["title"] and body["detail"]
    assert all(fault["code"] and fault["detail"] and "pointer" in fault for fault in body["errors"])


def faults(response: httpx.Response, status: int = 422) -> dict[str, str]:
    """Pointer to code of every fault of an answer."""
    assert response.status_code == status, response.text
    return {fault["pointer"]: fault["code"] for fault in response.json()["errors"]}


def today() -> date:
    return datetime.now(UTC).date()


def days_ago(count: int) -> str:
    return str(today() - timedelta(days=count))


async def _new_practice(app: FastAPI, http: httpx.AsyncClient, loop: Loop, test: bool = False) -> Api:
    database: Database = app.state.database
    async with database.writing() as connection:
        practice_id, _ = await find_or_make_practice(connection, f"Practice {uuid.uuid4().hex[:8]}", test=test)
        _, secret = await insert_key(Scope(connection, practice_id), "all", SCOPES)
    return Api(app, http, loop, practice_id, secret)


@pytest.fixture(scope="session")
def loop() -> Iterator[Loop]:
    loop = Loop()
    yield loop
    loop.close()


@contextmanager
def running(loop: Loop, settings: Settings) -> Iterator[FastAPI]:
    """The app with its lifespan."""
    app = create_app(settings)
    life = app.router.lifespan_context(app)
    loop.run(life.__aenter__())
    try:
        yield app
    finally:
        loop.run(life.__aexit__(None, None, None))


@contextmanager
def serving(loop: Loop, settings: Settings) -> Iterator[Api]:
    """A client of the running app, with a practice and a key of all scopes."""
    with running(loop, settings) as app:
        http = httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://steelyard.test")
        yield loop.run(_new_practice(app, http, loop))
        loop.run(http.aclose())


@pytest.fixture(scope="module")
def api(loop: Loop, databases: Databases, database_engine: str) -> Iterator[Api]:
    """A practice of the module's own, on each database in turn; tests of a module share it."""
    with (
        databases.fresh(database_engine) as url,
        serving(loop, Settings(database_url=url, check_tenant_filter=True)) as client,
    ):
        yield client


@pytest.fixture
def fresh(api: Api) -> Api:
    """A practice of the test's own."""
    return api.stranger()


@pytest.fixture
def athlete(api: Api) -> dict[str, Any]:
    """A new athlete of the practice."""
    return api.athlete()


@pytest.fixture
def home(athlete: dict[str, Any]) -> str:
    """The athlete's path."""
    return f"/athletes/{athlete['id']}"
