"""Fixtures that the whole suite shares: real databases, the command line, a real server on loopback."""

import fcntl
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Generator, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from tests.databases import ENGINES, Databases

STEELYARD = Path(sys.executable).with_name("steelyard")
READY_WITHIN_S = 60
STOPPED_WITHIN_S = 30


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--database", choices=(*ENGINES, "both"), default="both", help="the database engines to test on (both)"
    )
    parser.addoption("--long", action="store_true", help="also the tests that take long: many kills, whole years")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "engines(*names): run on these database engines only")
    config.addinivalue_line("markers", "long: only with --long, before an issue is closed")
    for name in [name for name in os.environ if name.startswith("STEELYARD_")]:
        del os.environ[name]  # the service under test takes its settings from the test alone


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("long"):
        return
    kept = [item for item in items if item.get_closest_marker("long") is None]
    config.hook.pytest_deselected(items=[item for item in items if item.get_closest_marker("long") is not None])
    items[:] = kept


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "database_engine" in metafunc.fixturenames:
        chosen = metafunc.config.getoption("database")
        marker = metafunc.definition.get_closest_marker("engines")
        engines = [name for name in (marker.args if marker else ENGINES) if chosen in (name, "both")]
        metafunc.parametrize("database_engine", engines, indirect=True, scope="session")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Benchmarks have the machine to themselves also where pytest-xdist runs the suite in several processes.

    Every test holds a lock, shared or, for a benchmark, exclusive; the turnstile before it keeps the order of arrival.
    """
    if not hasattr(item.config, "workerinput"):
        return (yield)
    alone = Path(__file__).parent / "bench" in item.path.parents
    shared = Path(item.config.option.basetemp).parent
    with open(shared / "turnstile", "w") as turnstile, open(shared / "machine", "w") as machine:
        fcntl.flock(turnstile, fcntl.LOCK_EX)
        fcntl.flock(machine, fcntl.LOCK_EX if alone else fcntl.LOCK_SH)
        fcntl.flock(turnstile, fcntl.LOCK_UN)
        return (yield)


@pytest.fixture(scope="session")
def databases() -> Iterator[Databases]:
    """All databases of the session, for fixtures of a wider scope: `with databases.fresh(engine) as url`."""
    databases = Databases()
    yield databases
    databases.close()


@pytest.fixture(scope="session")
def database_engine(request: pytest.FixtureRequest) -> str:
    """Each engine of `--database` in turn; `@pytest.mark.engines("postgresql")` narrows it for a test."""
    return request.param


@pytest.fixture
def database_url(databases: Databases, database_engine: str) -> Iterator[str]:
    """A database of the test's own with the newest schema and no rows, on each engine in turn."""
    with databases.fresh(database_engine) as url:
        yield url


@pytest.fixture
def empty_database_url(databases: Databases, database_engine: str) -> Iterator[str]:
    """A database of the test's own that was never migrated, on each engine in turn."""
    with databases.fresh(database_engine, migrated=False) as url:
        yield url


def environment(database_url: str, settings: dict[str, str] | None = None) -> dict[str, str]:
    return {**os.environ, "STEELYARD_DATABASE_URL": database_url, **(settings or {})}


def run_steelyard(database_url: str, *arguments: str, check: bool = True) -> subprocess.CompletedProcess[str]:
    """Run the `steelyard` command on a database; AssertionError with its output where it fails and `check` is set."""
    done = subprocess.run(
        [STEELYARD, *arguments],
        env=environment(database_url),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert not check or done.returncode == 0, f"steelyard {' '.join(arguments)}: {done.stdout}\n{done.stderr}"
    return done


@pytest.fixture(scope="session")
def steelyard() -> Callable[..., subprocess.CompletedProcess[str]]:
    """`steelyard(database_url, "tick", "--at", "2026-03-01T06:00:00Z", check=True)`: the command, run to its end."""
    return run_steelyard


@pytest.fixture(scope="session")
def practice_key() -> Callable[[str, str], str]:
    """`practice_key(database_url, name)`: a new key of that practice, which is made when it is missing."""

    def new_key(database_url: str, name: str) -> str:
        return run_steelyard(database_url, "keys", "new", "--practice", name).stdout.strip().splitlines()[-1].strip()

    return new_key


@dataclass
class LiveServer:
    """`steelyard serve` in a process of its own."""

    url: str
    process: subprocess.Popen[bytes]
    log_path: Path

    def log(self) -> str:
        return self.log_path.read_text(errors="replace")

    def wait_until_ready(self) -> None:
        deadline = time.monotonic() + READY_WITHIN_S
        while time.monotonic() < deadline and self.process.poll() is None:
            try:
                if httpx.get(f"{self.url}/readyz", timeout=5, trust_env=False).status_code == 200:
                    return
            except httpx.TransportError:
                pass  # not listening yet
            time.sleep(0.05)
        self.kill()
        raise AssertionError(f"the server did not become ready (status {self.process.returncode}):\n{self.log()}")

    def stop(self) -> None:
        """SIGTERM, as a service manager would; a server that does not end by itself is a failure."""
        self.process.terminate()
        try:
            self.process.wait(STOPPED_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.kill()
            raise AssertionError(f"the server did not stop on SIGTERM:\n{self.log()}") from None

    def kill(self) -> None:
        """SIGKILL: nothing of the process runs after this."""
        self.process.kill()
        self.process.wait()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def live_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., LiveServer]]:
    """`live_server(database_url, clock=False, settings={"STEELYARD_…": "…"})`: a real server, ready, on loopback.

    Called again on the same database it starts another one. All are stopped when the test ends.
    """

    tmp_path_factory.getbasetemp()  # made before any thread starts a server: two would make it at once

    def start(database_url: str, *, clock: bool = False, settings: dict[str, str] | None = None) -> LiveServer:
        port = free_port()
        log_path = tmp_path_factory.mktemp("server") / "log"
        with open(log_path, "wb") as log:
            process = subprocess.Popen(
                [STEELYARD, "serve", "--port", str(port), *([] if clock else ["--no-clock"])],
                env=environment(database_url, settings),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        server = LiveServer(f"http://127.0.0.1:{port}", process, log_path)
        server.wait_until_ready()
        running.callback(server.stop)
        return server

    with ExitStack() as running:
        yield start
