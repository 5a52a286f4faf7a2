"""What a benchmark measures: processor time of whole processes, which other work on the machine does not stretch."""

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass

import psutil

from tests.databases import Postgresql


@dataclass(frozen=True)
class Measured:
    """Processor seconds for one unit of work, the service's and the floor's; `said`: what else is worth knowing."""

    service_s: float
    floor_s: float
    said: str = ""

    @property
    def ratio(self) -> float:
        """The share of the floor's speed that the service reaches."""
        return self.floor_s / self.service_s


def processor_s(processes: Iterable[psutil.Process]) -> float:
    """Processor seconds so far of some processes and of whatever they started, ended or not."""
    total = 0.0
    for process in processes:
        with suppress(psutil.NoSuchProcess):  # one that has just ended is among what its parent says of its children
            total += processor_s(process.children())
            used = process.cpu_times()
            total += used.user + used.system + used.children_user + used.children_system
    return total


def server_of(engine: object) -> list[psutil.Process]:
    """The database's own server: PostgreSQL's postmaster; SQLite has none."""
    if not isinstance(engine, Postgresql):
        return []
    return [psutil.Process(engine.server.get_pid())]
