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
from service.auth import SCOPES, Principal, authenticate, insert_key
from service.demo.roster import demo_roster, screening_lines
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
            return await authenticate(database, f"Bearer {secret}"), secret
        except Unauthorised:
            beside.unlink()  # of a database that is gone
    async with database.writing() as connection:
        _, secret = await insert_key(Scope(connection, practice_id), "demo", SCOPES)
    if beside is not None:
        with open(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(secret + "\n")
    return await authenticate(database, f"Bearer {secret}"), secret


async def show(database: Database, caller: Principal, secret: str, address: str, console: Console) -> None:
    """Print the attention list, one whole recommendation with its reasons, the key and the addresses."""
    async with database.reading() as connection:
        scope = Scope(connection, caller.practice_id, caller.clock_at)
        items = await attention_list(scope)
        review, athlete = table_of(Review), table_of(Athlete)
        statement = scope.select(Review, athlete.c.external_id, athlete.c.name, of=[Athlete])
        statement = statement.where(review.c.athlete_id == athlete.c.id, review.c.state == "open")
        reviews = {row.external_id: row for row in await scope.rows(statement)}
    console.print(
        f"\n[bold]Who needs the coach[/] ({len(items)} {'athlete' if len(items) == 1 else 'athletes'} of {NAME})\n"
    )
    for item in items:
        action = f" → {item.action}" if item.action else ""
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
        "\nSteelyard does not diagnose and does not replace licensed professionals. The coach decides.\n",
        soft_wrap=True, highlight=False,
    )  # fmt: skip


def _show_review(row: Any, console: Console) -> None:
    document = row.document
    recommendation, estimates = document["recommendation"], document["estimates"]
    phase = document["phase"] or {"kind": "no phase", "day": 0}
    title = f"{row.external_id} {row.name or ''}, {phase['kind']} day {phase['day']}, week {document['week']}"
    console.print(f"\n[bold]One recommendation[/]  {title}\n")
    energy = recommendation["energy_kcal"]
    console.print(f"  action     {recommendation['action']}", highlight=False)
    console.print(f"  energy     {_kcal(energy['from'])} → {_kcal(energy['to'])}", highlight=False)
    if recommendation["phase"]:
        console.print(
            f"  phase      {recommendation['phase']['to']} from {recommendation['phase']['on']}", highlight=False
        )
    for name, unit in (("average_mass_kg", "kg"), ("tissue_rate_pct_per_week", "%/week"), ("maintenance_kcal", "kcal")):
        band = estimates[name]
        if band:
            console.print(
                f"  {name:26} {band['mean']:g} {unit} (90 %: {band['lo']:g} to {band['hi']:g})", highlight=False
            )
    for finding in document["findings"]:
        if finding["code"] in recommendation["because"]:
            _wrapped(console, "because", finding["statement"])
    for change in recommendation["would_change_if"]:
        _wrapped(console, "but", change)
    predicted = document["prediction"]["average_mass_kg"]
    if predicted:
        interval = f"90 %: {predicted['lo']:g} to {predicted['hi']:g}"
        _wrapped(console, "predicts", f"{predicted['mean']:g} kg on {document['prediction']['for']} ({interval})")


def _width(console: Console) -> int:
    return min(console.width, 110) - 14


def _kcal(value: float | None) -> str:
    return "none" if value is None else f"{value:.0f} kcal"


def _wrapped(console: Console, label: str, text: str) -> None:
    for index, line in enumerate(textwrap.wrap(text, _width(console))):
        console.print(f"  {label if index == 0 else '':10} {line}", markup=False, highlight=False)
