"""Processes that die at the worst moment, and processes that race: nothing acknowledged is lost, nothing is doubled.

Processes are killed with SIGKILL, which no process can catch. The machine under the database stays up.
"""

import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime, timedelta
from random import Random
from typing import Any

import httpx
import orjson
import pytest

from service.jobs.due import CHUNK
from service.store.tables import AthleteDay, CheckIn, Review, WeighIn
from service.store.types import now
from tests.conftest import STEELYARD, LiveServer, environment
from tests.jobs.conftest import Practice, athlete, log

GUARD = {"STEELYARD_CHECK_TENANT_FILTER": "1"}
FIRST = date(2026, 2, 2)
MONDAY = "2026-02-09T06:00:00Z"


async def take_in(practice: Practice) -> list[str]:
    """Athletes with a week of log, enough for two chunks and a half of jobs; it is Monday for them."""
    names = [f"a{number:03d}" for number in range(5 * CHUNK // 2)]
    logs = (line for name in names for line in log(name, FIRST, 7, food=False))
    await practice.take_in([*map(athlete, names), *logs])
    await practice.come_to(datetime.fromisoformat(MONDAY))
    return names


def start_tick(database_url: str, at: str = MONDAY) -> subprocess.Popen[str]:
    command = [STEELYARD, "tick", "--at", at]
    return subprocess.Popen(
        command, env=environment(database_url, GUARD), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def done(output: str) -> dict[str, int]:
    """What a tick says: how many of each job were done."""
    said = dict(line.split(": ") for line in output.strip().splitlines())
    return {job: int(said[job].split()[0]) for job in ("reviews", "check-ins")}


async def test_two_ticks_at_once_lose_nothing_and_double_nothing(practice: Practice, database_url: str) -> None:
    names = await take_in(practice)
    ticks = [start_tick(database_url) for _ in range(2)]
    answers = [(tick, *tick.communicate(timeout=120)) for tick in ticks]
    assert [tick.returncode for tick, _, _ in answers] == [0, 0], answers
    shares = [done(output) for _, output, _ in answers]
    for job in ("reviews", "check-ins"):
        assert sum(share[job] for share in shares) == len(names), shares
    assert all(sum(share.values()) for share in shares), f"one of them did nothing, so this proves little: {shares}"
    reviews = await practice.rows(Review)
    assert len({row.athlete_id for row in reviews}) == len(reviews) == len(names)
    assert {row.as_of for row in reviews} == {date(2026, 2, 8)}
    assert len(await practice.rows(CheckIn)) == len(names)


async def test_a_killed_tick_is_finished_by_a_later_one(practice: Practice, database_url: str) -> None:
    names = await take_in(practice)
    tick = start_tick(database_url)
    while tick.poll() is None and not (await practice.rows(Review) and await practice.claimed()):
        time.sleep(0.01)
    tick.kill()
    tick.communicate()
    before = {row.id for row in await practice.rows(Review)}
    assert 0 < len(before) < len(names)
    later = start_tick(database_url)
    output, errors = later.communicate(timeout=120)
    assert later.returncode == 0, errors
    left = len(names) - len(before) - done(output)["reviews"]
    assert 0 < left <= CHUNK  # the chunk that died with its process is still leased
    await practice.put(review_claimed_until=now() - timedelta(seconds=1))  # as ten minutes later
    last = start_tick(database_url)
    output, errors = last.communicate(timeout=120)
    assert (last.returncode, done(output)["reviews"]) == (0, left), errors
    reviews = await practice.rows(Review)
    assert len({row.athlete_id for row in reviews}) == len(reviews) == len(names)
    assert before <= {row.id for row in reviews}


class Senders:
    """Threads that send weigh-ins, each with a reference of its own, and write down which were acknowledged."""

    def __init__(self, key: str, athletes: Sequence[str], count: int) -> None:
        self.headers = {"Authorization": f"Bearer {key}"}
        self.work = [(athletes[number % len(athletes)], number) for number in range(count)]
        self.acknowledged: dict[int, str] = {}
        self.lock = threading.Lock()

    @staticmethod
    def body(number: int) -> dict[str, Any]:
        # A date of its own for each athlete's weigh-ins, and masses within what a body does.
        return {"date": str(FIRST + timedelta(days=number // 8)), "mass_kg": 64 + number % 7 / 10, "ref": f"w-{number}"}

    def send_until_it_fails(self, server: LiveServer, share: Sequence[tuple[str, int]]) -> None:
        with httpx.Client(base_url=server.url, headers=self.headers, timeout=30, trust_env=False) as client:
            for athlete_id, number in share:
                if number in self.acknowledged:
                    continue
                try:
                    answer = client.post(f"/v1/athletes/{athlete_id}/weigh-ins", json=self.body(number))
                except httpx.TransportError:
                    return
                assert answer.status_code in (200, 201), answer.text
                with self.lock:
                    self.acknowledged[number] = answer.json()["id"]

    def send(self, server: LiveServer, threads: int) -> list[Any]:
        pool = ThreadPoolExecutor(threads)
        return [pool.submit(self.send_until_it_fails, server, self.work[part::threads]) for part in range(threads)]


async def test_a_killed_server_has_kept_every_weigh_in_that_it_acknowledged(
    practice: Practice,
    database_url: str,
    live_server: Callable[..., LiveServer],
    practice_key: Callable[[str, str], str],
) -> None:
    count = 1000
    names = [f"a{number}" for number in range(8)]
    await practice.take_in(map(athlete, names))
    ids = [str((await practice.athlete(name)).id) for name in names]
    senders = Senders(practice_key(database_url, "Fen Edge"), ids, count)
    server = live_server(database_url, settings=GUARD)
    sending = senders.send(server, threads=6)
    while len(senders.acknowledged) < count * 0.4:
        time.sleep(0.005)
    server.kill()
    for thread in sending:
        thread.result(60)
    acknowledged = dict(senders.acknowledged)
    assert count * 0.4 <= len(acknowledged) < count
    kept = {row.ref: row for row in await practice.rows(WeighIn)}
    for number, entry_id in acknowledged.items():
        row = kept[f"w-{number}"]
        assert (str(row.id), row.mass_kg) == (entry_id, Senders.body(number)["mass_kg"])
    assert len(kept) - len(acknowledged) <= 6  # at most one a sender was kept without being acknowledged
    again = live_server(database_url, settings=GUARD)
    for thread in senders.send(again, threads=6):
        thread.result(120)
    rows = await practice.rows(WeighIn)
    assert len(rows) == len({row.ref for row in rows}) == len(senders.acknowledged) == count
    assert {number: senders.acknowledged[number] for number in acknowledged} == acknowledged
    days = {(row.athlete_id, row.date): row.mass_kg for row in await practice.rows(AthleteDay)}
    assert days == {(row.athlete_id, row.date): row.mass_kg for row in rows if row.suspect is None}


@pytest.mark.long
async def test_over_many_kills_nothing_acknowledged_is_lost_or_doubled(
    practice: Practice,
    database_url: str,
    live_server: Callable[..., LiveServer],
    practice_key: Callable[[str, str], str],
) -> None:
    """Twenty servers in a row, each killed at a moment of its own while six senders write."""
    rounds, count, moments = 20, 2000, Random(20)
    names = [f"a{number}" for number in range(8)]
    await practice.take_in(map(athlete, names))
    ids = [str((await practice.athlete(name)).id) for name in names]
    senders = Senders(practice_key(database_url, "Fen Edge"), ids, count)
    acknowledged: dict[int, str] = {}
    for _ in range(rounds):
        server = live_server(database_url, settings=GUARD)
        sending = senders.send(server, threads=6)
        enough = len(acknowledged) + moments.randrange(5, count // rounds // 2)
        while len(senders.acknowledged) < enough:
            time.sleep(0.001)
        time.sleep(moments.random() * 0.02)
        server.kill()
        for thread in sending:
            thread.result(60)
        kept = {row.ref: str(row.id) for row in await practice.rows(WeighIn)}
        assert {number: senders.acknowledged[number] for number in acknowledged} == acknowledged
        acknowledged = dict(senders.acknowledged)
        assert {f"w-{number}": entry_id for number, entry_id in acknowledged.items()}.items() <= kept.items()
    for thread in senders.send(live_server(database_url, settings=GUARD), threads=6):
        thread.result(300)
    rows = await practice.rows(WeighIn)
    assert len(rows) == len({row.ref for row in rows}) == len(senders.acknowledged) == count
    days = {(row.athlete_id, row.date): row.mass_kg for row in await practice.rows(AthleteDay)}
    assert days == {(row.athlete_id, row.date): row.mass_kg for row in rows if row.suspect is None}


async def test_an_import_whose_server_was_killed_is_finished_by_sending_it_again(
    practice: Practice,
    database_url: str,
    live_server: Callable[..., LiveServer],
    practice_key: Callable[[str, str], str],
) -> None:
    names = [f"a{number}" for number in range(60)]
    lines = [*map(athlete, names), *(line for name in names for line in log(name, FIRST, 250, food=False))]
    body = b"\n".join(map(orjson.dumps, lines))
    headers = {
        "Authorization": f"Bearer {practice_key(database_url, 'Fen Edge')}",
        "Content-Type": "application/x-ndjson",
    }

    def send(server: LiveServer, until: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        with httpx.Client(base_url=server.url, headers=headers, timeout=60, trust_env=False) as client:
            said: dict[str, Any] = client.post("/v1/imports", content=body).json()
            while not until(said):
                time.sleep(0.02)
                said = client.get(f"/v1/imports/{said['id']}").json()
            return said

    server = live_server(database_url, settings=GUARD)
    said = send(server, lambda said: said["lines_kept"] > 2 * len(names))
    server.kill()
    assert said["state"] == "running"
    half = len(await practice.rows(WeighIn))
    assert len(names) < half < len(lines) - len(names)
    said = send(live_server(database_url, settings=GUARD), lambda said: said["state"] != "running")
    assert (said["state"], said["lines_read"], said["lines_kept"], said["faults"]) == ("done", *[len(lines)] * 2, [])
    rows = await practice.rows(WeighIn)
    assert len(rows) == len({(row.athlete_id, row.date) for row in rows}) == len(lines) - len(names)
    days = {(row.athlete_id, row.date): row.mass_kg for row in await practice.rows(AthleteDay)}
    assert days == {(row.athlete_id, row.date): row.mass_kg for row in rows if row.suspect is None}


async def test_a_server_told_to_stop_during_its_jobs_leaves_nothing_claimed(
    practice: Practice, database_url: str, live_server: Callable[..., LiveServer]
) -> None:
    names = await take_in(practice)
    server = live_server(database_url, clock=True, settings=GUARD)
    while not await practice.rows(Review):
        time.sleep(0.01)
    server.stop()
    assert "Traceback" not in server.log()
    some = len(await practice.rows(Review))
    assert 0 < some < len(names)
    tick = start_tick(database_url, now().isoformat())
    _, errors = tick.communicate(timeout=120)
    assert tick.returncode == 0, errors
    reviews = await practice.rows(Review)
    assert len({row.athlete_id for row in reviews}) == len(reviews) == len(names)
