"""Due work is a query over rows: claim it, do it, say when it is due next.

A claim is a lease on the athlete's row, taken by a conditional update, so any number of clocks may run. What is done
twice all the same (a lease that ran out) meets the unique key of its result. What is stored of an athlete while the
work is under way is not lost on it: it is done again before its result is kept. One athlete's failure is noted for the
attention list and tried again later; it stops nobody else.
"""

import logging
import uuid
from abc import ABC, abstractmethod
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import ClassVar, Generic, TypeVar, cast

from sqlalchemy import ColumnElement, and_, bindparam, case, or_, select, update

from service.application.log.stale import changed_meanwhile, held
from service.jobs.times import ACROSS, ATHLETE, Time
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, JobFailure
from service.store.types import Instant, now

CHUNK = 200  # athletes a claim: an estimator costs about as much for one athlete as for a hundred
LEASE = timedelta(minutes=10)
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
    async def compute(self, scope: Scope, athletes: Sequence[Athlete], as_of: date) -> Mapping[uuid.UUID, R]:
        """Read and compute, in no transaction; the results by athlete."""

    @abstractmethod
    async def keep(self, scope: Scope, results: Sequence[R], at: datetime) -> None:
        """Store results; harmless when done twice."""

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
            groups: dict[tuple[uuid.UUID, date], list[Athlete]] = defaultdict(list)
            for athlete in claimed:
                groups[athlete.practice_id, self.as_of(athlete, time.at)].append(athlete)
            for (practice_id, as_of), athletes in groups.items():
                tally += await self._do(database, practice_id, athletes, as_of, time)
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
        return and_(time.of(ATHLETE.c.practice_id), ATHLETE.c.status == "active", self.is_due(time.at), free)

    async def _claim(self, database: Database, time: Time) -> Sequence[Athlete]:
        instant = now()
        wanted = self._wanted(time, instant)
        due = select(ATHLETE.c.practice_id, ATHLETE.c.id).where(wanted).limit(CHUNK)
        due = due.order_by(ATHLETE.c[self.due_column], ATHLETE.c.practice_id, ATHLETE.c.id)
        async with database.writing() as connection:
            keys = (await connection.execute(due.with_for_update(skip_locked=True), execution_options=ACROSS)).all()
            claim = (
                update(ATHLETE)
                .where(ATHLETE.c.id.in_([key.id for key in keys]), wanted)
                .values({self.claim_column: instant + LEASE})
                .returning(ATHLETE.c.id)
            )
            ours = (await connection.execute(claim, execution_options=ACROSS)).all() if keys else []
            # Not from RETURNING: there SQLite gives whole numbers for real ones, and a digest tells them apart.
            rows = select(ATHLETE).where(ATHLETE.c.id.in_([row.id for row in ours]))
            claimed = (await connection.execute(rows, execution_options=ACROSS)).all() if ours else []
        athletes = cast(Sequence[Athlete], claimed)
        return sorted(athletes, key=lambda athlete: athlete.id)  # all jobs touch the rows in one order: no deadlock

    async def _do(
        self, database: Database, practice_id: uuid.UUID, athletes: Sequence[Athlete], as_of: date, time: Time
    ) -> Tally:
        """One group; when it fails, each half of it, so that in the end only the culprit does not get through."""
        try:
            async with database.reading() as connection:
                results = await self.compute(Scope(connection, practice_id, time.at), athletes, as_of)
            async with database.writing() as connection:
                scope = Scope(connection, practice_id, time.at)
                present = await held(scope, athletes)
                changed = changed_meanwhile(present, athletes)
                later = {row.id for row in changed if self.as_of(row, time.at) != as_of}  # of another day by now
                again = [row for row in changed if row.id not in later]
                if again:  # nobody can store more of them until this is kept
                    results = {**results, **await self.compute(scope, again, as_of)}
                # Others were erased meanwhile.
                left = [athlete for athlete in athletes if athlete.id in present and athlete.id not in later]
                if left:
                    await self.keep(scope, [results[athlete.id] for athlete in left], time.at)
                    await self._release(scope, left, as_of, time.at)
                if later:  # still due
                    free = scope.update(Athlete).where(ATHLETE.c.id.in_(later))
                    await scope.run(free.values({self.claim_column: None}))
        except Exception as error:  # noqa: BLE001 - noted for the coach below, whatever it was
            if len(athletes) == 1:
                _log.exception("%s of athlete %s as of %s failed", self.name, athletes[0].id, as_of)
                await self._note_failure(database, practice_id, athletes[0], error)
                return Tally(failed=1)
            half = len(athletes) // 2
            first = await self._do(database, practice_id, athletes[:half], as_of, time)
            return first + await self._do(database, practice_id, athletes[half:], as_of, time)
        return Tally(done=len(athletes))

    async def _release(self, scope: Scope, athletes: Sequence[Athlete], as_of: date, at: datetime) -> None:
        """Give athletes back, due again later; at once where zone or weekday may have changed in the meantime."""
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

    async def _note_failure(
        self, database: Database, practice_id: uuid.UUID, athlete: Athlete, error: Exception
    ) -> None:
        failure = table_of(JobFailure)
        async with database.writing() as connection:
            scope = Scope(connection, practice_id)
            same = scope.select(JobFailure).where(failure.c.athlete_id == athlete.id, failure.c.job == self.name)
            before = await scope.one(JobFailure, same)
            row = {"athlete_id": athlete.id, "job": self.name, "error": f"{type(error).__name__}: {error}"[:500]}
            row["attempts"] = 1 + (before.attempts if before else 0)
            await scope.upsert(JobFailure, [row], key=("practice_id", "athlete_id", "job"))
            await scope.run(
                scope.update(Athlete).where(ATHLETE.c.id == athlete.id).values({self.claim_column: now() + RETRY_AFTER})
            )
