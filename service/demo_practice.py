"""The demo: an invented practice, made on the first start, reviewed on every one, and shown on the terminal."""

import os
import tempfile
import textwrap
import uuid
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import orjson
from rich.console import Console
from sqlalchemy.engine import make_url

from service.api.imports import import_file
from service.application.attention.attention_list import attention_list
from service.application.practices import find_or_make_practice
from service.auth import SCOPES, KeyRing, Principal, insert_key
from service.catalogue.sentences import render
from service.demo.roster import demo_roster, screening_lines
from service.domain.sentence import Sentence, say
from service.errors import Unauthorised
from service.jobs.clock import tick
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, ImportRun, Review
from service.store.types import now

NAME = "Saltmarsh Strength"
ATHLETES, DAYS, SEED = 12, 182, 2026
Advance = Callable[[str, int, int | None], None]  # what, how many done, of how many
GRAVITY = {"stop": "red", "warning": "yellow", "advice": "cyan", "info": "white"}


async def prepare(database: Database, url: str, advance: Advance) -> tuple[Principal, str, bool]:
    """Make the demo practice when it is missing, with its log up to yesterday, and run whatever is due.

    Returns
    -------
    (Principal, str, bool)
        The demo's key as a principal, its text, and whether the practice was made just now.
    """
    async with database.writing() as connection:
        practice_id, _ = await find_or_make_practice(connection, NAME)
    caller, secret = await _key(database, practice_id, url)
    made = not await _is_complete(database, practice_id)
    if made:  # also after a start that was interrupted; what is there already stays as it is
        lines = list(_lines(now().date() - timedelta(days=1)))
        with tempfile.NamedTemporaryFile(suffix=".ndjson") as file:
            file.write(b"\n".join(map(orjson.dumps, lines)))
            file.flush()
            done = await import_file(
                database, caller, Path(file.name), "ndjson", advance=lambda read: advance("importing", read, len(lines))
            )
        if done.state != "done":
            raise RuntimeError(f"the demo's import {done.state}: {done.detail}")
        if done.lines_faulty:
            raise RuntimeError(f"{done.lines_faulty} demo lines were refused, the first: {done.faults[0]}")
        async with database.writing() as connection:  # as if its athletes had been there since their logs began
            scope = Scope(connection, practice_id)
            await scope.run(scope.update(Athlete).values(created_at=now() - timedelta(days=DAYS)))
        for weeks in (2, 1):  # so that predictions have come true, or not, by today
            await tick(database, now() - timedelta(weeks=weeks), lambda job, count: advance(job, count, None))
    await tick(database, now(), lambda job, count: advance(job, count, None))
    return caller, secret, made


async def _is_complete(database: Database, practice_id: uuid.UUID) -> bool:
    run = table_of(ImportRun)
    async with database.reading() as connection:
        scope = Scope(connection, practice_id)
        return await scope.first(scope.select(run.c.id, of=[ImportRun]).where(run.c.state == "done")) is not None


def _lines(last_day: date) -> Iterator[dict[str, Any]]:
    yield from demo_roster(ATHLETES, DAYS, last_day, SEED)
    yield from screening_lines(ATHLETES)


async def _key(database: Database, practice_id: Any, url: str) -> tuple[Principal, str]:
    """The demo's key: kept in a file beside an embedded database, so that a second start shows the same one."""
    parsed = make_url(url)
    beside = (
        Path(parsed.database).with_suffix(".demo-key") if parsed.drivername == "sqlite" and parsed.database else None
    )
    if beside is not None and beside.exists():
        secret = beside.read_text().strip()
        try:
            return await KeyRing(database).authenticate(f"Bearer {secret}"), secret
        except Unauthorised:
            beside.unlink()  # of a database that is gone
    async with database.writing() as connection:
        _, secret = await insert_key(Scope(connection, practice_id), "demo", SCOPES)
    if beside is not None:
        with open(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(secret + "\n")
    return await KeyRing(database).authenticate(f"Bearer {secret}"), secret


async def show(database: Database, caller: Principal, secret: str, address: str, console: Console) -> None:
    """Print the attention list, one whole recommendation with its reasons, the key and the addresses."""
    async with database.reading() as connection:
        scope = Scope(connection, caller.practice_id, caller.clock_at)
        items = await attention_list(scope)
        review, athlete = table_of(Review), table_of(Athlete)
        statement = scope.select(Review, athlete.c.external_id, athlete.c.name, of=[Athlete])
        statement = statement.where(review.c.athlete_id == athlete.c.id, review.c.state == "open")
        reviews = {row.external_id: row for row in await scope.rows(statement)}
    heading = render(say("demo.who_needs_the_coach", athletes=len(items), practice=NAME))
    console.print(f"\n[bold]{heading}[/]\n", highlight=False)
    for item in items:
        action = f" → {render(say(f'action.{item.action}'))}" if item.action else ""
        console.print(
            f"  [{GRAVITY[item.severity]}]{item.severity:8}[/] {item.external_id} {item.name or '':9}{action}"
        )
        for line in textwrap.wrap(item.next, _width(console)):
            console.print(f"           {line}", markup=False, highlight=False)
    chosen = next((reviews[item.external_id] for item in items if item.action == "change_energy"), None)
    chosen = chosen or next((reviews[item.external_id] for item in items if item.external_id in reviews), None)
    if chosen is not None:
        _show_review(chosen, console)
    console.print(
        f"\n[bold]Key[/]        {secret}\n[bold]API docs[/]   {address}/docs\n"
        f"[bold]Attention[/]  curl -H 'Authorization: Bearer {secret}' {address}/v1/attention\n"
        f"\n{render(say('demo.who_decides'))}\n",
        soft_wrap=True, highlight=False,
    )  # fmt: skip


def _show_review(row: Any, console: Console) -> None:
    document, on = row.document, row.as_of
    recommendation, phase = document["recommendation"], document["phase"]
    athlete = f"{row.external_id} {row.name or ''}".strip()
    title = say("demo.of_no_phase", athlete=athlete)
    if phase:
        title = say("demo.of_phase", athlete=athlete, day=phase["day"], phase=phase["kind"])
    console.print(f"\n[bold]{render(say('demo.one_recommendation', title=title))}[/]\n", highlight=False)
    for label, sentence in _advised(recommendation):
        _wrapped(console, label, render(sentence, on=on))
    for sentence in _estimated(document["estimates"]):
        _wrapped(console, "seen", render(sentence))
    for finding in document["findings"]:
        if finding["code"] in recommendation["because"]:
            _wrapped(console, "because", finding["statement"])
    for change in recommendation["would_change_if"]:
        _wrapped(console, "but", change)
    predicted = document["prediction"]["average_mass_kg"]
    if predicted:
        day = date.fromisoformat(document["prediction"]["for"])
        band = {name: predicted[name] for name in ("mean", "lo", "hi")}
        _wrapped(console, "predicts", render(say("demo.predicted", on=day, **band), on=on))


def _advised(recommendation: Any) -> Iterator[tuple[str, Sentence]]:
    """What the coach is asked to do, with a label for each line."""
    yield "action", say(f"action.{recommendation['action']}")
    now, then = recommendation["energy_kcal"]["from"], recommendation["energy_kcal"]["to"]
    if now is not None and then is not None and now != then:
        yield "energy", say("demo.energy", from_kcal=now, to_kcal=then)
    elif then is not None:
        yield "energy", say("demo.energy_stays", energy_kcal=then)
    if recommendation["phase"]:
        begins_on = date.fromisoformat(recommendation["phase"]["on"])
        yield "phase", say("demo.phase", phase=recommendation["phase"]["to"], on=begins_on)


def _estimated(estimates: Any) -> Iterator[Sentence]:
    """What is known, with its intervals."""
    for name in ("average_mass_kg", "tissue_rate_pct_per_week", "maintenance_kcal"):
        band = estimates[name]
        if band:
            yield say(f"demo.{name}", mean=band["mean"], lo=band["lo"], hi=band["hi"])


def _width(console: Console) -> int:
    return min(console.width, 110) - 14


def _wrapped(console: Console, label: str, text: str) -> None:
    for index, line in enumerate(textwrap.wrap(text, _width(console))):
        console.print(f"  {label if index == 0 else '':10} {line}", markup=False, highlight=False)
