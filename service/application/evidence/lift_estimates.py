"""From the session lifts of a roster to estimates of strength: the main lifts together, every other one alone."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from types import EllipsisType
from typing import NamedTuple, TypeVar, cast

import numpy as np

from service.application.evidence.main_lifts import MainLifts, main_lifts_of
from service.application.evidence.roster import Roster
from service.application.evidence.rows import LiftHistory
from service.domain.records import Bools, Estimate, Floats, Ints
from service.domain.strength.estimate import LiftEstimates, PooledStrength, StrengthEstimates, estimate_strength
from service.domain.strength.sessions import LiftSessions

Estimated = TypeVar("Estimated", bound=StrengthEstimates | LiftEstimates | PooledStrength | Estimate | Floats)


@dataclass(frozen=True)
class RosterStrength:
    """Estimates of a roster's lifts; those of athlete i are `lift_names[i]`, in its order ("" for none).

    `main`, of shape (athletes, lifts, days), says which of them stand for the athlete's strength on a day.
    """

    estimates: StrengthEstimates
    lift_names: Sequence[Sequence[str]]
    main: Bools


def estimate_lifts(
    roster: Roster,
    average_mass_kg: Floats,
    loss_pct: Floats,
    *,
    revised: bool = False,
    main_lifts_only: bool = False,
    first_day: int = 0,
) -> RosterStrength:
    """Estimate the lifts of a roster on every day of its log from `first_day` on.

    Parameters
    ----------
    roster : Roster
        What was logged.
    average_mass_kg : array (athletes, days)
        For body-weight lifts.
    loss_pct : array (athletes,)
        What counts as lost strength, per cent.
    revised : bool
        Whether each day may use what was dated after it.
    main_lifts_only : bool
        Leave the other lifts out.
    first_day : int
        The first day of the log whose estimates are wanted.
    """
    main_lifts = [
        main_lifts_of(
            roster.lifts.get(athlete.id, {}),
            athlete.main_lifts or (),
            roster.plans.get(athlete.id, ()),
            roster.first,
            roster.to,
        )
        for athlete in roster.athletes
    ]
    names = [lifts.names for lifts in main_lifts]
    sessions = _sessions(roster, names, average_mass_kg, loss_pct)
    joined, main = _joined_and_main(main_lifts, sessions)
    sessions = replace(sessions, main=main)
    strength = estimate_strength(sessions, revised=revised)
    if not revised:
        strength = _with_earlier_eras(strength, sessions, joined, first_day)
    if main_lifts_only:
        return RosterStrength(strength, _padded(names, joined.shape[1]), main)
    lifts = strength.lifts if revised else _with_lifts_alone_before_joining(strength.lifts, sessions, joined)
    other_names = [
        sorted(set(roster.lifts.get(athlete.id, {})) - set(own))
        for athlete, own in zip(roster.athletes, names, strict=True)
    ]
    others = _sessions(roster, other_names, average_mass_kg, loss_pct)
    alone = _each_alone(others, revised)
    return RosterStrength(
        StrengthEstimates(_mapped(lambda *parts: np.concatenate(parts, axis=1), lifts, alone), strength.pooled),
        [[*own, *more] for own, more in zip(_padded(names, joined.shape[1]), other_names, strict=True)],
        np.concatenate([main, np.zeros(others.one_rep_max_kg.shape, np.bool_)], axis=1),
    )


def _joined_and_main(main_lifts: Sequence[MainLifts], sessions: LiftSessions) -> tuple[Ints, Bools]:
    """`joined` (athletes, lifts) and `main` (athletes, lifts, days) of a roster."""
    shape = sessions.one_rep_max_kg.shape
    joined, main = np.zeros(shape[:2], np.int64), np.zeros(shape, np.bool_)
    for index, lifts in enumerate(main_lifts):
        joined[index, : len(lifts.names)], main[index, : len(lifts.names)] = lifts.joined, lifts.main
    return joined, main


def _padded(names: Sequence[Sequence[str]], length: int) -> list[list[str]]:
    return [[*own, *[""] * (length - len(own))] for own in names]


def _sessions(
    roster: Roster, names: Sequence[Sequence[str]], average_mass_kg: Floats, loss_pct: Floats
) -> LiftSessions:
    """The sessions of the lifts that are named, athlete by athlete; those without a load measure no strength."""
    shape = (len(names), max(map(len, names), default=0), roster.log.days.shape[0])
    one_rep_max_kg, log_sd, curve_exposure = (np.full(shape, np.nan) for _ in range(3))
    for index, athlete in enumerate(roster.athletes):
        for position, name in enumerate(names[index]):
            best = _best_of_each_day(roster, roster.lifts[athlete.id][name], average_mass_kg[index])
            place = (index, position, best.day)
            one_rep_max_kg[place], log_sd[place] = best.maximum_kg, best.log_sd
            curve_exposure[place] = best.curve_exposure
    measured = one_rep_max_kg > 0.0
    return LiftSessions(
        np.where(measured, one_rep_max_kg, np.nan),
        np.where(measured, log_sd, np.nan),
        np.where(measured, curve_exposure, np.nan),
        roster.log.phase,
        roster.log.phase_day,
        loss_pct=loss_pct,
    )


class _Best(NamedTuple):
    """Of some days of the log the best session: its maximum (system, kg), log error and curve exposure."""

    day: Ints
    maximum_kg: Floats
    log_sd: Floats
    curve_exposure: Floats


def _best_of_each_day(roster: Roster, lifted: LiftHistory, average_mass_kg: Floats) -> _Best:
    """The best session of each day on which a lift was trained, of equals the surest."""
    day = (lifted.days - np.datetime64(roster.first)).astype(np.int64)
    inside = (day >= 0) & (day < average_mass_kg.shape[0])
    coefficient, day = lifted.body_mass_coefficient[inside], day[inside]
    mass_kg = np.where(coefficient != 0.0, average_mass_kg[day], 0.0)
    maximum_kg = coefficient * mass_kg + lifted.intercept_kg[inside]
    log_sd, curve_exposure = lifted.log_sd[inside], lifted.curve_exposure[inside]
    order = np.lexsort((curve_exposure, log_sd, -maximum_kg, day))
    days, firsts = np.unique(day[order], return_index=True)
    best = order[firsts]
    return _Best(days, maximum_kg[best], log_sd[best], curve_exposure[best])


class _Era(NamedTuple):
    """Days of an athlete, from `begin` to before `end`, on which the same lifts had joined: those of `begin`."""

    athlete: int
    begin: int
    end: int


def _with_earlier_eras(
    strength: StrengthEstimates, sessions: LiftSessions, joined: Ints, first_day: int
) -> StrengthEstimates:
    """Causal estimates in which a lift tells about the others from the day on which it joined them, not before.

    In an athlete's last era every lift has joined, which is what `strength` holds; those before it are estimated here
    from the lifts of their own, as far as they reach past `first_day`.
    """
    eras = [
        _Era(athlete, int(begin), int(end))
        for athlete in np.flatnonzero((joined > first_day).any(axis=1)).tolist()
        for begin, end in pairwise(np.unique([0, *joined[athlete]]))
        if end > first_day
    ]
    if not eras:
        return strength
    athletes, begins = np.array([era.athlete for era in eras]), np.array([era.begin for era in eras])
    earlier = estimate_strength(sessions.of(athletes).only(joined[athletes] <= begins[:, None]))
    moves: list[_Move] = [
        ((row, ..., slice(era.begin, era.end)), (era.athlete, ..., slice(era.begin, era.end)))
        for row, era in enumerate(eras)
    ]
    return _spliced(strength, earlier, moves)


def _with_lifts_alone_before_joining(lifts: LiftEstimates, sessions: LiftSessions, joined: Ints) -> LiftEstimates:
    """Causal estimates in which a lift stands for nothing but itself on the days before it joined the others."""
    athletes, positions = np.nonzero(joined)
    if athletes.size == 0:
        return lifts
    alone = estimate_strength(sessions.alone(athletes, positions)).lifts
    moves: list[_Move] = [
        ((row, 0, slice(joined[place])), (*place, slice(joined[place])))
        for row, place in enumerate(zip(athletes.tolist(), positions.tolist(), strict=True))
    ]
    return _spliced(lifts, alone, moves)


def _each_alone(sessions: LiftSessions, revised: bool) -> LiftEstimates:
    """Lifts that stand for nothing but themselves: each is estimated alone, so that they change no main lift."""
    shape = sessions.one_rep_max_kg.shape
    athletes, positions = np.divmod(np.arange(shape[0] * shape[1]), max(shape[1], 1))
    alone = estimate_strength(sessions.alone(athletes, positions), revised=revised).lifts
    return _mapped(lambda values: values.reshape(shape), alone)


_Index = tuple[int | slice | EllipsisType, ...]
_Move = tuple[_Index, _Index]  # from, to


def _spliced(base: Estimated, source: Estimated, moves: Sequence[_Move]) -> Estimated:
    """A copy of `base` that has parts of `source` instead, array by array."""

    def splice(base: Floats, source: Floats) -> Floats:
        values = base.copy()
        for taken, place in moves:
            values[place] = source[taken]
        return values

    return _mapped(splice, base, source)


def _mapped(change: Callable[..., Floats], first: Estimated, *others: Estimated) -> Estimated:
    """Estimates whose every array is `change` of the arrays that stand there in those given."""
    if isinstance(first, np.ndarray):
        return cast(Estimated, change(first, *others))
    parts = {
        field.name: _mapped(change, *(getattr(estimates, field.name) for estimates in (first, *others)))
        for field in fields(first)
    }
    return replace(first, **parts)
