"""Due work is a query over rows: claim it, do it, say when it is due next.

A claim is a lease on the athlete's row, taken by a conditional update, so any number of clocks may run. What is done
twice all the same (a lease that ran out) meets the unique key of its result. Nothing is computed in a transaction: what
is stored of an athlete while the work is under way has it done again before its result is kept, and where that happens
time after time, the result is kept as of before, marked so, and done again a little later. One athlete's failure is
noted for the attention list and tried again later; it stops nobody else.
"""

import gc
import logging
import uuid
from abc import ABC, abstractmethod
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import ClassVar, Generic, TypeVar

from sqlalchemy import ColumnElement, and_, bindparam, case, or_, select

from service.application.evidence.gather import OfPractice
from service.application.log.stale import changed_meanwhile, held
from service.jobs.times import ACROSS, ACTIVE, ATHLETE, Time
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, JobFailure
from service.store.types import Instant, now

CHUNK = 250  # athletes a claim, of any practices: an estimator costs little more for so many than for one; 1.5 MB each
LEASE = timedelta(minutes=10)
RACES = 2  # so often work is done again because of what was stored meanwhile
AGAIN_AFTER = timedelta(seconds=10)  # what was stored while it was done time after time has settled
RETRY_AFTER = timedelta(hours=1)
R = TypeVar("R")  # what is worked out for an athlete
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Tally:
    """What a run did."""

    done: int = 0
    failed: int = 0

    def __add__(self, other: "Tally") -> "Tally":
        return Tally(self.done + other.done, self.failed + other.failed)


class DueJob(ABC, Generic[R]):
    """Work that falls due for each athlete by a column of its row."""

    name: ClassVar[str]
    due_column: ClassVar[str]
    claim_column: ClassVar[str]

    @abstractmethod
    def is_due(self, at: datetime) -> ColumnElement[bool]:
        """The condition on `athlete` for work due at an instant."""

    @abstractmethod
    def as_of(self, athlete: Athlete, at: datetime) -> date:
        """The local date that the work of a claimed athlete is about."""

    @abstractmethod
    def next_due(self, athlete: Athlete, as_of: date, at: datetime) -> datetime:
        """When the work falls due again."""

    @abstractmethod
    async def compute(self, groups: Sequence[OfPractice], as_of: date) -> Mapping[uuid.UUID, R]:
        """Read and compute, in no transaction; the results by athlete."""

    @abstractmethod
    async def keep(self, scope: Scope, results: Sequence[R], at: datetime, overtaken: Collection[uuid.UUID]) -> None:
        """Store results; harmless when done twice. Of athletes `overtaken` something was stored that is not in them."""

    async def run(
        self,
        database: Database,
        time: Time,
        advance: Callable[[int], None] | None = None,
        proceed: Callable[[], bool] = lambda: True,
    ) -> Tally:
        """Do everything that is due at a time.

        Parameters
        ----------
        database : Database
            Where.
        time : Time
            The instant that counts as now, and for whom.
        advance : callable
            Told the number of athletes after each chunk.
        proceed : callable
            Asked before each chunk; what is not begun then stays due.

        Returns
        -------
        Tally
            How many athletes were done and how many failed.
        """
        tally = Tally()
        while proceed() and await self._anything_due(database, time) and (claimed := await self._claim(database, time)):
            days: dict[date, list[Athlete]] = defaultdict(list)
            for athlete in claimed:
                days[self.as_of(athlete, time.at)].append(athlete)
            with _collector_at_rest():
                for as_of, athletes in days.items():
                    tally += await self._do(database, athletes, as_of, time)
            if advance:
                advance(len(claimed))
        return tally

    async def _anything_due(self, database: Database, time: Time) -> bool:
        """Whether there is anything to claim: a look that takes no writer."""
        due = select(ATHLETE.c.id).where(self._wanted(time, now())).limit(1)
        async with database.reading() as connection:
            return (await connection.execute(due, execution_options=ACROSS)).first() is not None

    def _wanted(self, time: Time, instant: datetime) -> ColumnElement[bool]:
        free = or_(ATHLETE.c[self.claim_column].is_(None), ATHLETE.c[self.claim_column] < instant)
        return and_(time.of(ATHLETE.c.practice_id), ACTIVE, self.is_due(time.at), free)

    async def _claim(self, database: Database, time: Time) -> Sequence[Athlete]:
        instant = now()
        due = select(ATHLETE.c.practice_id, ATHLETE.c.id).where(self._wanted(time, instant)).limit(CHUNK)
        due = due.order_by(ATHLETE.c[self.due_column], ATHLETE.c.practice_id, ATHLETE.c.id)  # as the index has them
        claimed: list[Athlete] = []
        async with database.writing() as connection:
            keys = await connection.execute(due.with_for_update(skip_locked=True), execution_options=ACROSS)
            practices: dict[uuid.UUID, list[uuid.UUID]] = defaultdict(list)
            for key in keys:  # nobody else can claim them any more
                practices[key.practice_id].append(key.id)
            for practice_id, ids in practices.items():
                scope, ours = Scope(connection, practice_id, time.at), ATHLETE.c.id.in_(ids)
                await scope.run(scope.update(Athlete).where(ours).values({self.claim_column: instant + LEASE}))
                claimed += await scope.all(Athlete, scope.select(Athlete).where(ours))
        return sorted(claimed, key=lambda athlete: athlete.id)  # all jobs touch the rows in one order: no deadlock

    async def _do(self, database: Database, athletes: Sequence[Athlete], as_of: date, time: Time) -> Tally:
        """What is of one day; when it fails, each half of it: in the end only the culprit does not get through."""
        try:
            results = await self._computed(database, athletes, as_of, time)
        except Exception as error:  # noqa: BLE001 - noted for the coach, whatever it was
            if len(athletes) == 1:
                return await self._failed(database, athletes[0], as_of, error)
            half = len(athletes) // 2
            first = await self._do(database, athletes[:half], as_of, time)
            return first + await self._do(database, athletes[half:], as_of, time)
        tally = Tally()
        for practice_id, own in _by_practice(athletes).items():
            tally += await self._finish(database, practice_id, own, results, as_of, time)
        return tally

    async def _computed(
        self, database: Database, athletes: Sequence[Athlete], as_of: date, time: Time
    ) -> Mapping[uuid.UUID, R]:
        async with database.reading() as connection:
            groups = [(Scope(connection, who, time.at), own) for who, own in _by_practice(athletes).items()]
            return await self.compute(groups, as_of)

    async def _finish(
        self,
        database: Database,
        practice_id: uuid.UUID,
        athletes: Sequence[Athlete],
        results: Mapping[uuid.UUID, R],
        as_of: date,
        time: Time,
    ) -> Tally:
        """Keep the results of a practice's athletes; where that fails, of each half of them."""
        left, races = list(athletes), 0
        try:
            while left:
                async with database.writing() as connection:
                    scope = Scope(connection, practice_id, time.at)
                    left = await self._kept(scope, left, results, as_of, lost=races == RACES)
                if left:
                    results = {**results, **await self._computed(database, left, as_of, time)}
                    races += 1
        except Exception as error:  # noqa: BLE001 - noted for the coach, whatever it was
            done = Tally(done=len(athletes) - len(left))
            if len(left) == 1:
                return done + await self._failed(database, left[0], as_of, error)
            half = len(left) // 2
            done += await self._finish(database, practice_id, left[:half], results, as_of, time)
            return done + await self._finish(database, practice_id, left[half:], results, as_of, time)
        return Tally(done=len(athletes))

    async def _kept(
        self, scope: Scope, athletes: Sequence[Athlete], results: Mapping[uuid.UUID, R], as_of: date, *, lost: bool
    ) -> list[Athlete]:
        """Keep what still holds; the present rows of those of whom something was stored since theirs were read.

        With `lost` theirs are kept as well, marked as overtaken, and they are due again a little later.
        """
        at, present = scope.now(), await held(scope, athletes)
        changed = changed_meanwhile(present, athletes)
        later = {row.id for row in changed if self.as_of(row, at) != as_of}  # of another day by now: still due
        again = [row for row in changed if row.id not in later]
        overtaken = {row.id for row in again} if lost else set()
        waiting = {row.id for row in again} - overtaken
        # Others were erased meanwhile.
        keep = [row for row in athletes if row.id in present and row.id not in later | waiting]
        if keep:
            await self.keep(scope, [results[athlete.id] for athlete in keep], at, overtaken)
            await self._release(scope, [row for row in keep if row.id not in overtaken], as_of, at)
        for ids, until in ((later, None), (overtaken, now() + AGAIN_AFTER)):
            if ids:
                await scope.run(scope.update(Athlete).where(ATHLETE.c.id.in_(ids)).values({self.claim_column: until}))
        return [row for row in again if row.id in waiting]

    async def _release(self, scope: Scope, athletes: Sequence[Athlete], as_of: date, at: datetime) -> None:
        """Give athletes back, due again later; at once where zone or weekday may have changed in the meantime."""
        if not athletes:
            return
        unchanged = ATHLETE.c.revision == bindparam("read_revision")
        due = case((unchanged, bindparam("next_due", type_=Instant)), else_=ATHLETE.c[self.due_column])
        back = scope.update(Athlete).where(ATHLETE.c.id == bindparam("of_athlete"))
        rows = [
            {"of_athlete": athlete.id, "read_revision": athlete.revision, "next_due": self.next_due(athlete, as_of, at)}
            for athlete in athletes
        ]
        await scope.connection.execute(back.values({self.claim_column: None, self.due_column: due}), rows)
        failure = table_of(JobFailure)
        done = failure.c.athlete_id.in_([athlete.id for athlete in athletes])
        await scope.run(scope.delete(JobFailure).where(done, failure.c.job == self.name))

    async def _failed(self, database: Database, athlete: Athlete, as_of: date, error: Exception) -> Tally:
        _log.error("%s of athlete %s as of %s failed", self.name, athlete.id, as_of, exc_info=error)
        await self._note_failure(database, athlete, error)
        return Tally(failed=1)

    async def _note_failure(self, database: Database, athlete: Athlete, error: Exception) -> None:
        failure = table_of(JobFailure)
        async with database.writing() as connection:
            scope = Scope(connection, athlete.practice_id)
            same = scope.select(JobFailure).where(failure.c.athlete_id == athlete.id, failure.c.job == self.name)
            before = await scope.one(JobFailure, same)
            row = {"athlete_id": athlete.id, "job": self.name, "error": f"{type(error).__name__}: {error}"[:500]}
            row["attempts"] = 1 + (before.attempts if before else 0)
            await scope.upsert(JobFailure, [row], key=("practice_id", "athlete_id", "job"))
            await scope.run(
                scope.update(Athlete).where(ATHLETE.c.id == athlete.id).values({self.claim_column: now() + RETRY_AFTER})
            )


def _by_practice(athletes: Sequence[Athlete]) -> dict[uuid.UUID, list[Athlete]]:
    """Athletes by their practice, in their order."""
    practices: dict[uuid.UUID, list[Athlete]] = defaultdict(list)
    for athlete in athletes:
        practices[athlete.practice_id].append(athlete)
    return practices


@contextmanager
def _collector_at_rest() -> Iterator[None]:
    """Without the search for rings of objects: hundreds of thousands of rows, none in a ring, are gone through in vain.

    That search was a third of a night. What is in no ring is freed as ever.
    """
    at_work = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if at_work:
            gc.enable()
