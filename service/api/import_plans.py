"""The lines of an import that are phases and targets, on their way into the athletes' plans."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from service.api.import_lines import Line
from service.application.plan.takeover import PlanLine, keep_plans
from service.errors import Fault
from service.store.scope import Scope
from service.store.tables import Athlete

BATCH = 200  # athletes whose evidence is worked out together, and a transaction


def in_batches(lines: Sequence[Line]) -> Iterator[list[Line]]:
    """The lines by athletes, some athletes at once, each athlete's in the file's order."""
    by_athlete: dict[str, list[Line]] = defaultdict(list)
    for line in lines:
        by_athlete[line.athlete].append(line)
    names = list(by_athlete)
    for start in range(0, len(names), BATCH):
        yield [line for name in names[start : start + BATCH] for line in by_athlete[name]]


async def keep_in_plans(scope: Scope, lines: Sequence[Line], athletes: Mapping[str, Athlete]) -> dict[int, list[Fault]]:
    """Keep phases and targets of some athletes, in the file's order; the refused lines by number, with their faults."""
    by_athlete: dict[str, list[PlanLine]] = defaultdict(list)
    for line in lines:
        by_athlete[line.athlete].append(PlanLine(line.number, line.body.plan()))
    return await keep_plans(scope, by_athlete, athletes)
