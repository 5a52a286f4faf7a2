"""Is another scale in use? An alternative hypothesis in which the scale shifted, followed until weigh-ins decide.

The log odds of both hypotheses' densities of the weigh-ins are added up from the day on which the alternative one began
(a sequential probability ratio test, as Wald 1945, from memory).
"""

from dataclasses import dataclass, field, replace

import numpy as np

from service.domain import kalman
from service.domain.estimation import model as m
from service.domain.estimation.initial import initially, no_moments
from service.domain.estimation.measurement_update import (
    Innovation,
    TargetReadings,
    condition_alternatives_on_targets,
    condition_on_weigh_ins,
    innovation_of,
    log_density,
)
from service.domain.estimation.model import SCALE, STATES
from service.domain.estimation.time_update import inflate_at_phase_switch
from service.domain.kalman import Moments
from service.domain.records import Bools, Floats, Ints, replaced, take

BEGIN_SD, BEGIN_KG = (
    2.2,
    1.1,
)  # sd and kg of the innovation: a weigh-in this far off makes a new scale thinkable; judged
LOG_ODDS = 12.0  # log odds for it: new scales are rare, water (creatine, salt, illness) outlasts the model's; tried
LOG_ODDS_AFTER_SWITCH = 2.0  # log odds, more in the first days of a phase, when water moves too; judged
AFTER_SWITCH_DAYS = 10  # d, that long; judged
LOG_ODDS_BACK = 3.0  # log odds, to return to the old scale (a journey); judged
LOG_ODDS_KEPT = 4.0  # log odds for a new scale that a return has to make up for, at most; judged
GIVEN_UP, GIVEN_UP_RISE = -1.0, 0.8  # log odds, and per weigh-in: given up when they fall behind this line; judged
LEAST_WEIGH_INS, MOST_WEIGH_INS, MOST_WEIGH_INS_BACK = 7.0, 20.0, 30.0  # weigh-ins until a decision; judged
LEAST_SHIFT_KG = 2.0  # kg: smaller ones look like water, and taking water for a scale costs more than it gains; tried
KNOWN_WEIGH_INS = 7.0  # weigh-ins: before these the level itself is not known well enough; judged


@dataclass(frozen=True)
class Scale:
    """The alternative hypothesis of each athlete, if there is one; the batch is the last axis."""

    active: Bools = field(metadata=initially(False))
    returning: Bools = field(metadata=initially(False))  # it is the one with the old scale
    moments: Moments = field(metadata=no_moments(STATES))  # while the filter runs: see `Alternatives`
    log_odds: Floats  # by the weigh-ins since it began
    weigh_ins: Floats

    def without(self, rows: Ints) -> "Scale":
        """The same without the alternative hypotheses of some athletes."""
        active = self.active.copy()
        active[rows] = False
        return replace(self, active=active)


class Alternatives:
    """Moments of the alternative hypotheses of the athletes `rows`, ascending, close together while the filter runs.

    Few athletes have one, so all work on them is done on short arrays; `Scale` has room for everybody.
    """

    def __init__(self, scale: Scale) -> None:
        self.rows: Ints = np.flatnonzero(scale.active)
        self.moments = scale.moments.of(self.rows)

    def cover(self, rows: Ints) -> None:
        """Become those of other athletes; the moments of who had none are arbitrary."""
        if np.array_equal(rows, self.rows):
            return
        if self.rows.size:
            place = np.minimum(np.searchsorted(self.rows, rows), self.rows.size - 1)
            self.moments = self.moments.of(place)
        else:
            self.moments = Moments(np.zeros((STATES, rows.size)), np.zeros((STATES, STATES, rows.size)))
        self.rows = rows

    def store(self, scale: Scale) -> None:
        """Write the moments into the record, in place."""
        scale.moments.put(self.rows, self.moments)


@dataclass(frozen=True)
class Outcome:
    """What a morning did to the alternative hypotheses of the athletes `rows`; arrays in their order."""

    rows: Ints
    updates: tuple[kalman.Update, ...]  # target and weigh-in, if traced
    begun: Bools
    adopted: Bools  # it changes places with the main one


def begins(scale: Scale, accepted_days: Floats, z2: Floats, distance_kg: Floats) -> Bools:
    """Whose weigh-in makes a new scale thinkable, (athletes,), by its distance from what the main one expects."""
    off = (z2 > BEGIN_SD**2) & (distance_kg > BEGIN_KG)
    return off & ~scale.active & (accepted_days >= KNOWN_WEIGH_INS)


@dataclass(frozen=True)
class Morning:
    """A morning's readings as the main hypothesis meets them; arrays (athletes,)."""

    switch: Bools
    targets: TargetReadings
    innovation: Innovation | None  # of weigh-ins; None: nobody's
    accepted: Bools
    noise_scale: Floats
    water_variance: Floats
    reference_kcal: Floats
    phase_day: Ints


def follow(
    scale: Scale, alternatives: Alternatives, main: Moments, begun: Bools, morning: Morning, *, traced: bool
) -> tuple[Outcome, Scale]:
    """Take one morning into the alternative hypotheses, in place; before the weigh-in moves the main one.

    One begins where `begun` (athletes,) as a copy of the main one with an unknown shift of the scale, N(0, 1.2 kg); the
    log odds decide. Once adopted, the former main one waits as the alternative. `main` are the states in use.
    """
    rows = np.flatnonzero(scale.active | begun)
    alternatives.cover(rows)
    begun_here = begun[rows]
    moments = alternatives.moments.leading(main.mean.shape[0])
    inflate_at_phase_switch(moments.cov, np.flatnonzero(morning.switch[rows]), morning.reference_kcal[rows])
    by_target = condition_alternatives_on_targets(moments, morning.targets, rows, begun_here, traced=traced)
    new = np.flatnonzero(begun_here)
    moments.put(new, main.of(rows[new]))
    moments.cov[SCALE, SCALE, new] += m.SCALE_STEP_SD_KG**2
    log_odds, by_weigh_in = np.zeros(rows.size), None
    if morning.innovation is not None:
        log_odds, by_weigh_in = _weigh(moments, rows, morning.innovation, morning, traced=traced)
    shift_kg = np.abs(moments.mean[SCALE] - main.mean[SCALE, rows])
    adopted, scale = _decide(
        scale, rows, begun_here, log_odds, morning.accepted[rows], shift_kg, morning.phase_day[rows]
    )
    none = kalman.no_update(*moments.mean.shape)
    return Outcome(rows, (by_target or none, by_weigh_in or none) if traced else (), begun_here, adopted), scale


def _weigh(
    moments: Moments, rows: Ints, by_main: Innovation, morning: Morning, *, traced: bool
) -> tuple[Floats, kalman.Update | None]:
    """Condition the alternative hypotheses of `rows` on their weigh-ins, in place.

    Returns the log odds of the weigh-ins against the main hypothesis, and the update if it is `traced`.
    """
    accepted = morning.accepted[rows]
    row = {state: c if isinstance(c, float) else c[rows] for state, c in by_main.row.items()}
    mass_kg = np.where(accepted, by_main.mass_kg[rows], np.nan)
    innovation = innovation_of(moments, row, mass_kg, morning.noise_scale[rows], morning.water_variance[rows])
    log_odds = log_density(innovation.kg, innovation.variance)
    log_odds -= log_density(np.where(accepted, by_main.kg[rows], np.nan), by_main.variance[rows])
    return log_odds, condition_on_weigh_ins(moments, innovation, accepted, np.zeros(0, np.int64), traced=traced)


def _decide(
    scale: Scale, rows: Ints, begun: Bools, log_odds: Floats, accepted: Bools, shift_kg: Floats, phase_day: Ints
) -> tuple[Bools, Scale]:
    """Count the evidence of a morning; returns which hypotheses of `rows` are adopted, and the record afterwards."""
    returning = scale.returning[rows] & ~begun
    total = np.where(begun, 0.0, scale.log_odds[rows]) + log_odds
    weigh_ins = np.where(begun, 0.0, scale.weigh_ins[rows]) + accepted
    after_switch = (phase_day > 0) & (phase_day <= AFTER_SWITCH_DAYS)
    needed = LOG_ODDS + np.where(after_switch, LOG_ODDS_AFTER_SWITCH, 0.0)
    needed = np.where(returning, LOG_ODDS_BACK, needed)
    adopted: Bools = (total > needed) & (weigh_ins >= LEAST_WEIGH_INS) & (returning | (shift_kg > LEAST_SHIFT_KG))
    behind = total < GIVEN_UP + GIVEN_UP_RISE * weigh_ins
    finished = np.where(returning, weigh_ins >= MOST_WEIGH_INS_BACK, (weigh_ins >= MOST_WEIGH_INS) | behind)
    after = Scale(
        active=scale.active.copy(),
        returning=scale.returning.copy(),
        moments=scale.moments,
        log_odds=scale.log_odds.copy(),
        weigh_ins=scale.weigh_ins.copy(),
    )
    after.active[rows] = adopted & ~returning | ~adopted & ~finished
    after.returning[rows] = (returning & ~adopted & ~finished) | (adopted & ~returning)
    after.log_odds[rows] = np.where(adopted, -np.minimum(total, LOG_ODDS_KEPT), total)
    after.weigh_ins[rows] = np.where(adopted, 0.0, weigh_ins)
    return adopted, after


def adopt(
    main: Moments, alternatives: Alternatives, outcome: Outcome, updates: tuple[kalman.Update, ...]
) -> tuple[tuple[kalman.Update, ...], tuple[kalman.Update, ...]]:
    """Let adopted hypotheses change places with the main one, which may come back; moments in place.

    `updates` are the main hypothesis' of the morning, none unless traced. Returns the updates of the main hypothesis
    and of the alternative ones as they stand afterwards.
    """
    adopted, others = outcome.adopted, outcome.updates
    rows = outcome.rows[adopted]
    if not rows.size:
        return updates, others
    mean, cov = alternatives.moments.mean, alternatives.moments.cov
    mean[:, adopted], main.mean[:, rows] = main.mean[:, rows], mean[:, adopted]
    cov[:, :, adopted], main.cov[:, :, rows] = main.cov[:, :, rows], cov[:, :, adopted]
    if not updates:
        return updates, others
    here = np.flatnonzero(adopted)
    pairs = list(zip(updates, others, strict=True))
    return (
        tuple(replaced(of_main, rows, take(other, here)) for of_main, other in pairs),
        tuple(replaced(other, here, take(of_main, rows)) for of_main, other in pairs),
    )
