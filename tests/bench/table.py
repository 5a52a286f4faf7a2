"""How fast the service is, measured against floors of the same run: `TABLE.md`.

    python -m tests.bench.table                   all rows; half an hour
    python -m tests.bench.table weigh_in import   the rows of these names; the others stay as they are

A row is one function `(databases, engine) -> Measured`: processor seconds of the service and of a floor, the least
that the same work can cost, for one unit of work. To add one: write the function in a module of its own, and a `Row`.
"""

import asyncio
import platform
import sqlite3
import sys
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import psutil

from tests.bench import imports, night, reads, single_write
from tests.bench.measuring import Measured
from tests.databases import ENGINES, Databases

TABLE = Path(__file__).with_name("TABLE.md")
COLUMNS = "| row | engine | work | service | floor | ratio | before | goal | seen by the clients |"


@dataclass(frozen=True)
class Row:
    """One line of the table for each engine: what is measured, what it was in version 0.3.0, what it is to be."""

    name: str
    work: str
    measure: Callable[[Databases, str], Awaitable[Measured]]
    before: dict[str, float]  # ratio by engine
    goal: dict[str, float]
    engines: tuple[str, ...] = ENGINES


ROWS = (
    Row(
        "weigh_in",
        "a weigh-in over HTTP, 24 clients / bare Starlette, one insert",
        single_write.weigh_in,
        before={"sqlite": 0.017, "postgresql": 0.023},
        goal={"sqlite": 0.25, "postgresql": 0.30},
    ),
    Row(
        "meal",
        "a meal over HTTP, 24 clients / the same",
        single_write.meal,
        before={},
        goal={"sqlite": 0.25, "postgresql": 0.30},
    ),
    *(
        Row(
            f"night_{name}",
            f"one athlete of a night: {what} / packed roll-ups, compiled filter, a row",
            night.night(name),
            before={"sqlite": before},
            goal=dict.fromkeys(ENGINES, goal),
        )
        for name, what, before, goal in (
            ("review", "review and check-in", 0.015, 0.3),
            ("news", "check-in after news", 0.026, 1.2),
            ("quiet", "check-in, all looked at before", 0.028, 1.2),
            ("silent", "check-in, nothing stored", 0.027, 1.2),
        )
    ),
    *(
        Row(
            name,
            f"{what} / the floor of a night, of one athlete",
            reads.read(name),
            before={"sqlite": before},
            goal=dict.fromkeys(ENGINES, goal),
        )
        for name, what, before, goal in (
            ("estimates", "estimates of 28 days over HTTP", 0.0028, 0.03),
            ("review", "a review, not kept", 0.0031, 0.015),
            ("prescriptions", "the next session's prescriptions", 0.002, 0.02),
        )
    ),
    Row(
        "attention",
        "a page of 100 of 2,000 athletes / bare rows of all",
        reads.attention_page,
        before={"sqlite": 0.04},
        goal=dict.fromkeys(ENGINES, 0.8),
    ),
    Row(
        "import_athlete",
        "an import, a line: 4.4 a day, athlete by athlete / decoded and upserted",
        partial(imports.measured, order="athlete"),
        before={"sqlite": 0.011, "postgresql": 0.031},
        goal={"sqlite": 0.25, "postgresql": 0.40},
    ),
    Row(
        "import_day",
        "the same lines day by day / the same",
        partial(imports.measured, order="day"),
        before={"sqlite": 0.006, "postgresql": 0.030},
        goal={"sqlite": 0.25, "postgresql": 0.40},
    ),
    Row(
        "import_again",
        "the same file again / the same, unchanged rows left",
        partial(imports.measured, order="day", replay=True),
        before={"sqlite": 0.083, "postgresql": 0.030},
        goal={"sqlite": 0.40, "postgresql": 0.40},
    ),
)


def line(row: Row, engine: str, measured: Measured) -> str:
    """One line of the table."""
    before, goal = (f"{known[engine]:g}" if engine in known else "–" for known in (row.before, row.goal))
    cells = (
        row.name, engine, row.work, _shown(measured.service_s), _shown(measured.floor_s), f"{measured.ratio:.3f}",
        before, goal, measured.said,
    )  # fmt: skip
    return f"| {' | '.join(cells)} |"


def _shown(seconds: float) -> str:
    return f"{1e6 * seconds:.0f} µs" if seconds < 0.01 else f"{1e3 * seconds:.0f} ms"


def machine() -> str:
    """What it was measured on, in general words."""
    memory_gb = psutil.virtual_memory().total / 2**30
    return (
        f"{psutil.cpu_count()} shared virtual cores ({platform.machine()}), {memory_gb:.0f} GiB of memory, a virtual "
        f"disk; Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}"
    )


def page(lines: dict[tuple[str, str], str]) -> str:
    """The whole table; the lines in the order of the rows."""
    order = [(row.name, engine) for row in ROWS for engine in row.engines]
    there = [lines[key] for key in order if key in lines]
    return "\n".join(
        [
            "# Speed",
            "",
            "Processor time of one unit of work, the service's processes and the database's server together, beside a",
            "floor of the same run; the ratio is floor ÷ service. The times hold for this machine on that day only,",
            "the ratios travel: `python -m tests.bench.table` measures them anew, and says what each row is.",
            "",
            f"Machine: {machine()}.",
            "",
            COLUMNS,
            "|---|---|---|---|---|---|---|---|---|",
            *there,
            "",
        ]
    )


def known() -> dict[tuple[str, str], str]:
    """The lines of the table as it stands, by row and engine."""
    if not TABLE.exists():
        return {}
    lines = [line for line in TABLE.read_text().splitlines() if line.startswith("| ") and line != COLUMNS]
    return {(cells[1].strip(), cells[2].strip()): line for line in lines for cells in [line.split("|")]}


async def measure(names: list[str]) -> None:
    """Measure the rows of these names, all if there are none, and write the table after each."""
    databases, lines = Databases(durable=True), known()
    try:
        for row in ROWS:
            for engine in row.engines if not names or row.name in names else ():
                lines[row.name, engine] = line(row, engine, await row.measure(databases, engine))
                print(lines[row.name, engine], flush=True)
                TABLE.write_text(page(lines))
    finally:
        databases.close()


if __name__ == "__main__":
    unknown = set(sys.argv[1:]) - {row.name for row in ROWS}
    if unknown:
        sys.exit(f"no such rows: {', '.join(sorted(unknown))}; there are {', '.join(row.name for row in ROWS)}")
    asyncio.run(measure(sys.argv[1:]))
