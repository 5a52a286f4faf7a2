"""From arrays to estimates of bodies and of strength."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from service.application.evidence.main_lifts import lineup_of
from service.application.evidence.roster import Roster
from service.domain.estimation.estimate import estimate
from service.domain.estimation.results import Estimates
from service.domain.policy import DEFAULT, Policy
from service.domain.records import Bools, Floats, Ints
from service.domain.strength.estimate import LiftEstimates, StrengthEstimates, estimate_strength, revise_strength


@dataclass(frozen=True)
class RosterEstimates:
    """Estimates of a roster; the lifts of athlete i are those of `lift_names[i]`, in its order ("" for none).

    Those of bodies are of the days `report` of the log only, all days by default, and those of lifts of every day from
    the first of these on. `main`, of shape (athletes, lifts, days), says which lifts stand for the athlete's strength
    on a day; they are the ones that are pooled.
    """

    body: Estimates
    strength: StrengthEstimates
    lift_names: Sequence[Sequence[str]]
    main: Bools
    report: Ints | None = None

    def column(self, day: int) -> int:
        """Where the estimates of bodies have a day of the log."""
        return day if self.report is None else int(np.searchsorted(self.report, day))


def estimate_roster(
    roster: Roster,
    *,
    policies: Sequence[Policy] | None = None,
    revised: bool = False,
    main_lifts_only: bool = False,
    upper_loss_rate_pct_per_week: float = 1.0,
    on: Collection[date] | None = None,
) -> RosterEstimates:
    """Run the estimators over a roster.

    Parameters
    ----------
    roster : Roster
        What was logged.
    policies : sequence of Policy
        By athlete: what counts as lost strength and as no deficit; the service's own policy when not given.
    revised : bool
        Whether each day may use what was dated after it.
    main_lifts_only : bool
        Leave the other lifts out.
    upper_loss_rate_pct_per_week : float
        What counts as losing too fast, percent of body mass per week.
    on : collection of date
        The days whose estimates are wanted of bodies, by default all of the log; fewer take less time.
    """
    report = None if on is None else np.array(sorted({roster.day(day) for day in on}), dtype=np.int64)
    policies = [DEFAULT] * len(roster.athletes) if policies is None else policies
    no_deficit_pct = np.array([policy.no_deficit_pct for policy in policies], dtype=np.float64)
    loss_pct = np.array([policy.strength_loss_pct for policy in policies], dtype=np.float64)
    body = estimate(
        roster.who,
        roster.log,
        upper_loss_rate_pct_per_week=upper_loss_rate_pct_per_week,
        no_deficit_pct=no_deficit_pct,
        revised=revised,
        report=report,
    )
    lineups = [
        lineup_of(roster.lifts.get(athlete.id, {}), roster.plans.get(athlete.id, ()), roster.first, roster.to)
        for athlete in roster.athletes
    ]
    names = [lineup.names for lineup in lineups]
    others = [
        [] if main_lifts_only else sorted(set(roster.lifts.get(athlete.id, {})) - set(own))
        for athlete, own in zip(roster.athletes, names, strict=True)
    ]
    phase, phase_day = roster.log.phase, roster.log.phase_day
    sessions = _sessions(roster, names, body.average_mass_by_day_kg)
    joined: Ints = np.zeros(sessions[0].shape[:2], np.int64)
    main: Bools = np.zeros(sessions[0].shape, np.bool_)
    for index, lineup in enumerate(lineups):
        joined[index, : len(lineup.names)], main[index, : len(lineup.names)] = lineup.joined, lineup.main
    run = revise_strength if revised else estimate_strength
    strength = run(*sessions, phase, phase_day, pooled_over=main, loss_pct=loss_pct)
    if not revised:
        begin = 0 if report is None else int(report[0])
        _as_before_joining(strength, sessions, phase, phase_day, main, joined, loss_pct, begin)
        if not main_lifts_only:
            _alone_before_joining(strength.lifts, sessions, phase, phase_day, joined, loss_pct)
    if any(others):
        apart = _sessions(roster, others, body.average_mass_by_day_kg)
        alone = _each_alone(run, apart, phase, phase_day, loss_pct)
        strength = StrengthEstimates(_beside(strength.lifts, alone), strength.pooled)
        main = np.concatenate([main, np.zeros(apart[0].shape, np.bool_)], axis=1)
    padded = [[*own, *[""] * (joined.shape[1] - len(own)), *more] for own, more in zip(names, others, strict=True)]
    return RosterEstimates(body, strength, padded, main, report)


def _as_before_joining(
    strength: StrengthEstimates, sessions: Sequence[Floats], phase: Ints, phase_day: Ints, main: Bools, joined: Ints,
    loss_pct: Floats, begin: int,
) -> None:  # fmt: skip
    """Put right, in place, the days from `begin` to before a lift joined: what was known then did without it."""
    until = np.full(joined.shape[0], phase.shape[1])
    while True:
        until = np.where(joined < until[:, None], joined, 0).max(axis=1, initial=0)
        rows = np.flatnonzero(until > begin)
        if rows.size == 0:
            return
        left = joined[rows] < until[rows, None]
        kg, log_sd, exposure = (np.where(left[:, :, None], part[rows], np.nan) for part in sessions)
        then = estimate_strength(
            kg, log_sd, exposure, phase[rows], phase_day[rows], pooled_over=main[rows], loss_pct=loss_pct[rows]
        )

        def put(into: Floats, values: Floats, rows: Ints = rows, until: Ints = until) -> Floats:
            for index, row in enumerate(rows):
                into[row, ..., : until[row]] = values[index, ..., : until[row]]
            return into

        _mapped(put, strength, then)


def _alone_before_joining(
    lifts: LiftEstimates, sessions: Sequence[Floats], phase: Ints, phase_day: Ints, joined: Ints, loss_pct: Floats
) -> None:
    """Put in, in place, the days before a lift joined, when it stood for nothing but itself."""
    who, which = np.nonzero(joined)
    if who.size == 0:
        return
    rows = [part[who, which][:, None] for part in sessions]
    alone = _each_alone(estimate_strength, rows, phase[who], phase_day[who], loss_pct[who])

    def put(into: Floats, values: Floats) -> Floats:
        for index, (athlete, lift) in enumerate(zip(who, which, strict=True)):
            until = joined[athlete, lift]
            into[athlete, lift, :until] = values[index, 0, :until]
        return into

    _mapped(put, lifts, alone)


def _sessions(roster: Roster, names: Sequence[Sequence[str]], mass_kg: Floats) -> tuple[Floats, Floats, Floats]:
    """Session maxima (system, kg), their log errors and curve exposures, (athletes, lifts, days), NaN without one.

    Of a lift trained in several sessions of a day the best counts, of equal ones the surest.
    """
    shape = (len(names), max(map(len, names), default=0), roster.log.days.shape[0])
    maximum, log_sd, exposure = np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)
    for index, athlete in enumerate(roster.athletes):
        for position, name in enumerate(names[index]):
            best: dict[int, tuple[float, float, float]] = {}
            for row in roster.lifts[athlete.id][name]:
                day = roster.day(row.date)
                if not 0 <= day < shape[2]:
                    continue
                lifted_kg = mass_kg[index, day] if row.body_mass_coefficient else 0.0
                rank = (-row.body_mass_coefficient * lifted_kg - row.intercept_kg, row.log_sd, row.curve_exposure)
                best[day] = min(best.get(day, rank), rank)
            if best:
                lowered, errors, shares = zip(*best.values(), strict=True)
                maximum[index, position, [*best]] = np.negative(lowered)
                log_sd[index, position, [*best]], exposure[index, position, [*best]] = errors, shares
    unknown = ~(maximum > 0.0)
    maximum[unknown] = log_sd[unknown] = exposure[unknown] = np.nan
    return maximum, log_sd, exposure


def _each_alone(run: Any, sessions: Sequence[Floats], phase: Any, phase_day: Any, loss_pct: Floats) -> LiftEstimates:
    """Lifts that stand for nothing but themselves: each is estimated alone, so that they change no main lift."""
    athletes, lifts, days = sessions[0].shape
    rows = [array.reshape(athletes * lifts, 1, days) for array in sessions]
    phases = (np.repeat(phase, lifts, axis=0), np.repeat(phase_day, lifts, axis=0))
    found = run(*rows, *phases, loss_pct=np.repeat(loss_pct, lifts)).lifts
    joined: LiftEstimates = _mapped(lambda array: array.reshape(athletes, lifts, days), found)
    return joined


def _beside(first: LiftEstimates, second: LiftEstimates) -> LiftEstimates:
    joined: LiftEstimates = _mapped(lambda *arrays: np.concatenate(arrays, axis=1), first, second)
    return joined


def _mapped(change: Any, *parts: Any) -> Any:
    """Estimates with every array changed, field by field."""
    if not is_dataclass(parts[0]) or isinstance(parts[0], type):
        return change(*parts)
    values = {f.name: _mapped(change, *(getattr(part, f.name) for part in parts)) for f in fields(parts[0])}
    return replace(parts[0], **values)
