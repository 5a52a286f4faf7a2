"""The one way from a practice's rows to evidence: one read, one filter pass, evidence on each day asked for."""

import uuid
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from service.application.evidence.athlete_evidence import evidence_of
from service.application.evidence.estimates import RosterEstimates, estimate_roster
from service.application.evidence.notes import NoteRows, Notes, notes_on, read_notes
from service.application.evidence.outlooks import outlooks
from service.application.evidence.policies import InForce, in_force
from service.application.evidence.roster import Roster, assemble, rosters_by_span
from service.application.evidence.rows import DAY_COLUMNS, Rows, merged, read_rows
from service.domain.evidence import Evidence, Outlook
from service.domain.plausibility.suspect_readings import unit_in_question
from service.domain.policy import Policy
from service.store.scope import Scope
from service.store.shared_writer import aside
from service.store.tables import Athlete

AthleteDay = tuple[uuid.UUID, date]
OfPractice = tuple[Scope, Sequence[Athlete]]  # some athletes of one practice
EarlierDays = Callable[[uuid.UUID, Notes], Iterable[date]]


@dataclass(frozen=True)
class RosterEvidence:
    """Some athletes that were estimated in one pass, with what the rules may look at on each day asked for."""

    roster: Roster
    estimates: RosterEstimates
    policies: Mapping[uuid.UUID, InForce]  # of these athletes and maybe others
    notes: Mapping[AthleteDay, Notes]
    evidence: Mapping[AthleteDay, Evidence]


async def evidence_for(
    scope: Scope,
    athletes: Sequence[Athlete],
    days: Collection[date],
    *,
    main_lifts_only: bool = True,
    estimates_on: EarlierDays | None = None,
) -> list[RosterEvidence]:
    """Evidence of some athletes of a practice on some days, from one read and one pass of the filters.

    Of each day it is, to the bit, what a read of that day alone would give. It is computed off the event loop.

    Parameters
    ----------
    scope : Scope
        The practice.
    athletes : sequence of rows of `athlete`
        Whose.
    days : collection of date
        Local dates, at least one. What is dated later than the last of them is not read.
    main_lifts_only : bool
        Leave the estimates of other lifts out.
    estimates_on : callable
        From an athlete's id and notes on the last day, further days whose estimates of bodies are wanted.

    Returns
    -------
    list of RosterEvidence
        By length of log, each athlete in one of them; of one athlete one.
    """
    return await evidence_across([(scope, athletes)], days, main_lifts_only=main_lifts_only, estimates_on=estimates_on)


async def evidence_across(
    groups: Sequence[OfPractice],
    days: Collection[date],
    *,
    main_lifts_only: bool = True,
    estimates_on: EarlierDays | None = None,
) -> list[RosterEvidence]:
    """The same of athletes of several practices, each read by its own, estimated in one pass."""
    read = [await read_log(scope, athletes, min(days), max(days)) for scope, athletes in groups]
    policies: dict[uuid.UUID, InForce] = {}
    for scope, athletes in groups:
        policies |= await in_force(scope, [athlete.id for athlete in athletes])

    def work() -> list[RosterEvidence]:
        logged = Logged.together(read)
        return [
            roster_evidence(
                roster, logged.notes, policies, days, main_lifts_only=main_lifts_only, estimates_on=estimates_on
            )
            for roster in logged.rosters()
        ]

    return await aside(work)


async def evidence_on(scope: Scope, athlete: Athlete, day: date) -> tuple[Evidence, Policy]:
    """The same of one athlete on one day, with the policy in force."""
    (batch,) = await evidence_for(scope, [athlete], [day])
    return batch.evidence[athlete.id, day], batch.policies[athlete.id].policy


def roster_evidence(
    roster: Roster,
    note_rows: NoteRows,
    policies: Mapping[uuid.UUID, InForce],
    days: Collection[date],
    *,
    main_lifts_only: bool = True,
    estimates_on: EarlierDays | None = None,
) -> RosterEvidence:
    """The same of a roster whose rows are all there, without any I/O; parameters as `evidence_for`."""
    notes = {(athlete.id, day): notes_on(note_rows, athlete.id, day) for athlete in roster.athletes for day in days}
    reported = set(days)
    if estimates_on is not None:
        last = max(days)
        for athlete in roster.athletes:
            reported.update(day for day in estimates_on(athlete.id, notes[athlete.id, last]) if day >= roster.first)
    estimates = estimate_roster(
        roster,
        main_lifts_only=main_lifts_only,
        policies=[policies[athlete.id].policy for athlete in roster.athletes],
        on=reported,
    )
    evidence = {
        (athlete.id, day): evidence_of(roster, estimates, notes[athlete.id, day], index, day)
        for index, athlete in enumerate(roster.athletes)
        for day in days
    }
    return RosterEvidence(roster, estimates, policies, notes, evidence)


@dataclass(frozen=True)
class Logged:
    """What was read of some athletes: enough for evidence on each day from `first` to `last`."""

    athletes: Sequence[Athlete]
    first: date
    last: date
    rows: Rows
    notes: NoteRows

    @classmethod
    def together(cls, parts: Sequence["Logged"]) -> "Logged":
        """What was read of several practices for the same days; an athlete is in one of them."""
        if len(parts) == 1:
            return parts[0]
        athletes = [athlete for part in parts for athlete in part.athletes]
        rows, notes = merged([part.rows for part in parts]), merged([part.notes for part in parts])
        return cls(athletes, parts[0].first, parts[0].last, rows, notes)

    def rosters(self) -> list[Roster]:
        """Arrays of the athletes, by length of log."""
        return rosters_by_span(self.athletes, self.first, self.last, self.rows)


async def read_log(scope: Scope, athletes: Sequence[Athlete], first: date, last: date) -> Logged:
    """Read all that evidence on the days from `first` to `last` rests on but the policies."""
    rows = await read_rows(scope, athletes, last)
    ids, asked = [athlete.id for athlete in athletes], _unit_asked(athletes, rows)
    notes = await read_notes(scope, ids, first, last, unit_asked=asked)
    return Logged(athletes, first, last, rows, notes)


def _unit_asked(athletes: Sequence[Athlete], rows: Rows) -> list[uuid.UUID]:
    """Those whose first weigh-in may be in another unit."""
    firsts: dict[uuid.UUID, float] = {}
    for who, logged in rows.days.items():
        mass_kg = logged.columns[DAY_COLUMNS.index("mass_kg")]
        weighed = mass_kg[np.isfinite(mass_kg)]
        if weighed.size:
            firsts[who] = float(weighed[0])
    heights = {athlete.id: athlete.height_cm for athlete in athletes}
    return [who for who, mass_kg in firsts.items() if unit_in_question(mass_kg, mass_kg, heights[who]) is not None]


@dataclass(frozen=True)
class LogEstimates:
    """Estimates of one athlete on every day of the log, and what more data would do from its last day on."""

    roster: Roster
    estimates: RosterEstimates
    outlook: Outlook | None


async def estimates_for(scope: Scope, athlete: Athlete, to: date, *, revised: bool) -> LogEstimates:
    """Estimates of one athlete on each day of the log up to one, of every trained lift, computed off the event loop.

    Parameters
    ----------
    scope : Scope
        The practice.
    athlete : row of `athlete`
        Whose.
    to : date
        The last local date that counts.
    revised : bool
        Whether each day may use what was dated after it.
    """
    rows = await read_rows(scope, [athlete], to)
    policy = (await in_force(scope, [athlete.id]))[athlete.id].policy

    def work() -> LogEstimates:
        roster = assemble([athlete], to, to, rows)
        estimates = estimate_roster(
            roster,
            policies=[policy],
            revised=revised,
            upper_loss_rate_pct_per_week=-policy.cut_rate_fast_pct,
        )
        (ahead,) = outlooks(roster, estimates, [0])
        return LogEstimates(roster, estimates, ahead)

    return await aside(work)
