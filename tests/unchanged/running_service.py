"""The service on a SQLite file of its own, met only as callers meet it: HTTP under `/v1` and the `steelyard` command.

Both run in this process, so that the clock can be stopped: everything happens at an instant that the caller sets.
"""

import asyncio
import importlib
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import httpx
import orjson
from typer.testing import CliRunner

CLOCKS = ("service.store.types",)  # where `now()` lives, before and after
Answer = dict[str, Any]


@dataclass
class StoppedClock:
    """What `now()` says."""

    instant: datetime

    def set(self, instant: str) -> None:
        """Go to an instant, e.g. 2026-08-03T06:00:00Z."""
        self.instant = datetime.fromisoformat(instant)


@contextmanager
def stopped_clock(instant: str) -> Iterator[StoppedClock]:
    """Stop the service's clock, whoever holds its `now`: the name `datetime` that it looks up is another's."""
    module = next(found for name in CLOCKS if hasattr(found := importlib.import_module(name), "now"))
    clock = StoppedClock(datetime.fromisoformat(instant))

    class Stopped(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            return clock.instant.astimezone(tz or UTC)

    real = vars(module)["datetime"]
    vars(module)["datetime"] = Stopped
    try:
        assert module.now() == clock.instant, "the service's clock goes on"
        yield clock
    finally:
        vars(module)["datetime"] = real


@dataclass
class Service:
    """A practice's client and command line."""

    url: str
    clock: StoppedClock
    http: httpx.AsyncClient
    runner: asyncio.Runner
    key: str = ""
    ids: dict[str, str] = field(default_factory=dict)  # of athletes, by external id

    def command(self, *words: str) -> str:
        """Run `steelyard …`; what it printed."""
        from service.cli import app

        done = CliRunner().invoke(app, list(words), env={"STEELYARD_DATABASE_URL": self.url})
        if done.exit_code != 0:
            raise RuntimeError(f"steelyard {' '.join(words)}: {done.output}") from done.exception
        return str(done.output)

    def ask(self, method: str, path: str, body: Any = None, **query: Any) -> tuple[int, Any]:
        """Send a request below `/v1`; the status and what came back. A 5xx is an error."""
        content = None if body is None else orjson.dumps(body)
        return self._send(method, path, content, {"content-type": "application/json"}, query)

    def get(self, path: str, **query: Any) -> Any:
        """Read; anything but 200 is an error."""
        status, body = self.ask("GET", path, **query)
        if status != 200:
            raise RuntimeError(f"GET {path} {query}: {status} {body}")
        return body

    def load(self, lines: list[bytes]) -> Answer:
        """Import lines, to the end."""
        headers = {"content-type": "application/x-ndjson", "prefer": "wait=120"}
        status, done = self._send("POST", "/imports", b"\n".join(lines), headers, {})
        if status != 202 or done["state"] != "done":
            raise RuntimeError(f"import: {status} {done}")
        return dict(done)

    def know_athletes(self) -> list[str]:
        """Read who is there; their external ids in order."""
        self.ids = {one["external_id"]: one["id"] for one in self.get("/athletes", limit=1000)["items"]}
        return sorted(self.ids)

    def wait(self, path: str) -> Answer:
        """Read something that runs in the background until it has ended."""
        for _ in range(600):
            found = self.get(path)
            if found["state"] != "running":
                return dict(found)
            self.runner.run(asyncio.sleep(0.1))
        raise RuntimeError(f"{path} still runs")

    def _send(
        self, method: str, path: str, content: bytes | None, headers: dict[str, str], query: dict[str, Any]
    ) -> tuple[int, Any]:
        address = f"/v1{path}" + (f"?{urlencode({k.rstrip('_'): v for k, v in query.items()})}" if query else "")
        headers = {**headers, "authorization": f"Bearer {self.key}"}
        answer = self.runner.run(self.http.request(method, address, content=content, headers=headers))
        if answer.status_code >= 500:
            raise RuntimeError(f"{method} {address}: {answer.status_code} {answer.text}")
        return answer.status_code, answer.json() if answer.content else None


@contextmanager
def running(instant: str) -> Iterator[Service]:
    """The service on a new, migrated database, its clock stopped at an instant; no practice is there yet."""
    from service.main import create_app
    from service.settings import Settings

    with tempfile.TemporaryDirectory() as folder, stopped_clock(instant) as clock, asyncio.Runner() as runner:
        url = f"sqlite:///{Path(folder) / 'unchanged.db'}"
        app = create_app(Settings(database_url=url))
        http = httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://steelyard.test", timeout=None)
        service = Service(url, clock, http, runner)
        service.command("migrate")
        life = app.router.lifespan_context(app)
        runner.run(life.__aenter__())
        try:
            yield service
        finally:
            runner.run(http.aclose())
            runner.run(life.__aexit__(None, None, None))


@contextmanager
def practice(instant: str) -> Iterator[Service]:
    """The service with a new practice and a key of all scopes."""
    with running(instant) as service:
        service.key = service.command("keys", "new", "--practice", "Unchanged Strength").split()[-1]
        yield service
