"""The `steelyard` command.

A command imports what only it needs when it runs: a `tick` needs no web application, and starts in half the time.
"""

import asyncio
import gc
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, SpinnerColumn, TaskID, TextColumn
from rich.progress import Progress as ProgressBars
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from service.application.practices import find_or_make_practice
from service.auth import SCOPES, KeyRing, insert_key
from service.errors import Problem
from service.jobs import clock
from service.settings import Settings, from_environment
from service.store import migrate as migrations
from service.store.engine import Database
from service.store.scope import Scope

app = typer.Typer(
    no_args_is_help=True, add_completion=False, help="Weekly recommendations for strength-and-physique coaches."
)
keys = typer.Typer(no_args_is_help=True, help="Keys of callers.")
app.add_typer(keys, name="keys")
console = Console()
T = TypeVar("T")
Port = Annotated[int, typer.Option(min=1, max=65535)]
Host = Annotated[str, typer.Option(help="address to listen on")]


def _settings() -> Settings:
    try:
        settings = from_environment()
        backend = make_url(settings.database_url).get_backend_name()
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    except ArgumentError as error:
        wanted = "like sqlite:///file.db or postgresql://user@host/name"
        raise typer.BadParameter(f"STEELYARD_DATABASE_URL must be a URL {wanted}") from error
    if backend not in ("sqlite", "postgresql"):
        raise typer.BadParameter(f"STEELYARD_DATABASE_URL must be of SQLite or PostgreSQL, not of {backend}")
    return settings


@contextmanager
def _unusable_database() -> Iterator[None]:
    """Say what is wrong with a database that cannot be opened, in place of a traceback."""
    try:
        yield
    except (DBAPIError, OSError) as error:
        reason = str(error.orig if isinstance(error, DBAPIError) else error).strip()
        raise typer.BadParameter(f"the database of STEELYARD_DATABASE_URL cannot be used: {reason}") from error


def _with_database(work: Callable[[Database], Awaitable[T]]) -> T:
    """Run something on the migrated database of the settings, and close it."""
    settings = _settings()

    async def run() -> T:
        with _unusable_database():
            database = Database(settings.database_url, settings.check_tenant_filter)
        try:
            with _unusable_database():
                current = await migrations.is_current(database)
            if not current:
                raise typer.BadParameter("the database has not this version's schema: run `steelyard migrate` first")
            return await work(database)
        finally:
            await database.close()

    return asyncio.run(run())


@app.command()
def migrate() -> None:
    """Bring the database of STEELYARD_DATABASE_URL to this version's schema."""
    settings = _settings()
    with _unusable_database():
        migrations.upgrade(settings.database_url)


@keys.command("new")
def new_key(
    practice: Annotated[str, typer.Option(help="name of the practice; made when it is missing")],
    name: Annotated[str, typer.Option(help="what the key is for")] = "command line",
    test: Annotated[bool, typer.Option("--test", help="a practice for tests, whose clock may be moved")] = False,
) -> None:
    """Make a key with all scopes; it is printed alone on the last line, this once."""

    async def work(database: Database) -> str:
        async with database.writing() as connection:
            practice_id, _ = await find_or_make_practice(connection, practice.strip(), test=test)
            _, secret = await insert_key(Scope(connection, practice_id), name, SCOPES)
            return secret

    if not practice.strip():
        raise typer.BadParameter("give the practice a name")
    try:
        typer.echo(_with_database(work))
    except Problem as problem:
        raise typer.BadParameter(problem.detail) from problem


def _spare_what_is_loaded() -> None:
    """What is loaded stays: no garbage collection looks through it again, which is a quarter of an import's time."""
    gc.collect()
    gc.freeze()


@app.command()
def serve(
    port: Port = 8000,
    host: Host = "127.0.0.1",
    clock: Annotated[bool, typer.Option(help="run due jobs in this process too")] = True,
) -> None:
    """Serve the API, with the clock unless --no-clock."""
    import uvicorn

    from service.main import create_app

    async def nothing(_database: Database) -> None:
        """A server for a database that cannot be used would only answer errors."""

    _with_database(nothing)
    _spare_what_is_loaded()
    uvicorn.run(
        create_app(_settings(), with_clock=clock), host=host, port=port, access_log=False, timeout_graceful_shutdown=20
    )


@app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False, readable=True, help="NDJSON or CSV")],
    key: Annotated[str, typer.Option(help="a key of the practice that the lines belong to")],
    type: Annotated[str | None, typer.Option(help="type of lines that do not say theirs")] = None,
) -> None:
    """Import a file straight into the database; good lines are kept, faulty ones listed."""
    from service.api.imports import import_file

    _spare_what_is_loaded()

    async def work(database: Database) -> Any:
        caller = await KeyRing(database).authenticate(f"Bearer {key}")
        with _bars() as bars:
            task = bars.add_task("importing", total=None)
            form = "csv" if file.suffix.lower() == ".csv" else "ndjson"
            advance: Callable[[int], None] = lambda read: bars.update(task, completed=read)  # noqa: E731
            return await import_file(database, caller, file, form, type, advance)

    try:
        done = _with_database(work)
    except Problem as problem:
        raise typer.BadParameter(problem.detail) from problem
    for fault in sorted(done.faults, key=lambda fault: fault.line):
        typer.echo(f"line {fault.line}{fault.pointer and ' ' + fault.pointer}: {fault.detail}", err=True)
    typer.echo(f"{done.state}: {done.lines_kept} of {done.lines_read} lines kept, {done.lines_faulty} refused")
    if done.state != "done":
        raise typer.Exit(1)


@app.command()
def tick(
    at: Annotated[str, typer.Option(help="the instant that counts as now, with an offset: 2026-03-02T05:00:00Z")],
) -> None:
    """Run whatever is due at an instant, once."""
    try:
        instant = datetime.fromisoformat(at)
    except ValueError as error:
        raise typer.BadParameter(f"{at!r} is not an instant like 2026-03-02T05:00:00Z") from error
    if instant.tzinfo is None:
        raise typer.BadParameter("an instant needs an offset: 2026-03-02T05:00:00Z or …+01:00")
    if not 1900 < instant.year < 2200:
        raise typer.BadParameter(f"no athlete logged anything in the year {instant.year}")

    async def work(database: Database) -> clock.TickResult:
        with _bars() as bars:
            return await clock.tick(database, instant, _advance_open(bars))

    result = _with_database(work)
    for job, tally in (("reviews", result.reviews), ("check-ins", result.check_ins)):
        typer.echo(f"{job}: {tally.done} done, {tally.failed} failed")
    typer.echo(f"lapsed: {result.lapsed}")
    if result.reviews.failed or result.check_ins.failed:
        raise typer.Exit(1)


@app.command()
def demo(
    once: Annotated[bool, typer.Option("--once", help="show it and stop, without serving")] = False,
    port: Port = 8000,
    host: Host = "127.0.0.1",
) -> None:
    """Make an invented practice, review its athletes, show the result and serve it."""
    from service import demo_practice

    settings = _settings()

    async def work(database: Database) -> None:
        with _bars() as bars:
            tasks: dict[str, TaskID] = {}

            def advance(what: str, done: int, total: int | None) -> None:
                if what not in tasks:
                    tasks[what] = bars.add_task(what, total=total)
                if total is None:
                    bars.advance(tasks[what], done)
                else:
                    bars.update(tasks[what], completed=done)

            caller, secret, _ = await demo_practice.prepare(database, settings.database_url, advance)
        await demo_practice.show(database, caller, secret, f"http://{host}:{port}", console)

    _with_database(work)
    if not once:
        serve(port=port, host=host, clock=True)


def _bars() -> ProgressBars:
    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    return ProgressBars(*columns, console=Console(stderr=True), transient=True)


def _advance_open(bars: ProgressBars) -> Callable[[str, int], None]:
    tasks: dict[str, TaskID] = {}

    def advance(job: str, count: int) -> None:
        if job not in tasks:
            tasks[job] = bars.add_task(job, total=None)
        bars.update(tasks[job], advance=count)

    return advance
