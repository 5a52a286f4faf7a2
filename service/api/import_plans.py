"""The lines of an import that are phases and targets, on their way into the athletes' plans."""

from collections import defaultdict
from collections.abc import Iterator, Sequence

from service.api.import_lines import Line
from service.application.plan.takeover import PlanLine

BATCH = 200  # athletes whose evidence is worked out together, and a transaction


class Waiting:
    """Phases and targets that wait until all that the file says of their athletes is kept."""

    def __init__(self) -> None:
        self.lines: dict[str, list[Line]] = defaultdict(list)  # by athlete, each athlete's in the file's order

    def take(self, lines: Sequence[Line]) -> None:
        """Take in some lines."""
        for line in lines:
            self.lines[line.athlete].append(line)

    def full(self) -> Iterator[list[Line]]:
        """Batches of as many athletes as are worked out together; what is less waits on."""
        while len(self.lines) >= BATCH:
            yield self._batch()

    def rest(self) -> Iterator[list[Line]]:
        """All that waits."""
        while self.lines:
            yield self._batch()

    def _batch(self) -> list[Line]:
        return [line for name in list(self.lines)[:BATCH] for line in self.lines.pop(name)]


def in_plans(lines: Sequence[Line]) -> dict[str, list[PlanLine]]:
    """Phases and targets as steps of their athletes' plans, in the file's order."""
    by_athlete: dict[str, list[PlanLine]] = defaultdict(list)
    for line in lines:
        by_athlete[line.athlete].append(PlanLine(line.number, line.body.plan()))
    return by_athlete
