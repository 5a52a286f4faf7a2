"""Servers of a benchmark, each a process of its own: the service, and the floor beside it."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from urllib.request import urlopen

import psutil

from tests.conftest import READY_WITHIN_S, STEELYARD, STOPPED_WITHIN_S, environment, free_port

BARE = "tests.bench.bare_app:application"


@dataclass(frozen=True)
class Server:
    """A server that answers."""

    url: str
    process: psutil.Process


@contextmanager
def the_service(database_url: str) -> Iterator[Server]:
    """`steelyard serve` without the clock."""
    port = free_port()
    command = [str(STEELYARD), "serve", "--no-clock", "--port", str(port)]
    with _running(command, environment(database_url), port) as server:
        yield server


@contextmanager
def the_floor(bare_url: str, application: str = BARE) -> Iterator[Server]:
    """A bare application, served as the service is."""
    port = free_port()
    command = [sys.executable, "-m", "uvicorn", "--factory", application, "--port", str(port), "--no-access-log"]
    with _running(command, {**os.environ, "BARE_URL": bare_url}, port) as server:
        yield server


@contextmanager
def _running(command: list[str], variables: dict[str, str], port: int) -> Iterator[Server]:
    quiet = subprocess.DEVNULL
    process = subprocess.Popen(command, env=variables, stdin=subprocess.DEVNULL, stdout=quiet, stderr=quiet)
    server = Server(f"http://127.0.0.1:{port}", psutil.Process(process.pid))
    try:
        _wait_until_it_answers(server, process)
        yield server
    finally:
        process.terminate()
        process.wait(STOPPED_WITHIN_S)


def _wait_until_it_answers(server: Server, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + READY_WITHIN_S
    while time.monotonic() < deadline and process.poll() is None:
        try:
            with urlopen(f"{server.url}/healthz", timeout=5):
                return
        except OSError as error:
            if getattr(error, "code", None) == 404:  # the floor has no such page, and so it answers
                error.close()  # type: ignore[attr-defined]
                return
            time.sleep(0.05)
    raise AssertionError(f"the server did not become ready (status {process.returncode})")
