"""Is another scale in use? A second branch in which the scale shifted, followed until weigh-ins decide."""

from dataclasses import dataclass

import numpy as np

from . import estimation_branch as branch
from . import estimation_model as m
from . import kalman
from .estimation_model import SCALE
from .estimation_state import FilterState, changed
from .records import Bools, Floats, Ints

SUSPECT_SD, SUSPECT_KG = 2.2, 1.1  # a weigh-in this far off makes a new scale thinkable
LOG_ODDS = 12.0  # a new scale is rare, and water (creatine, salt, illness) lasts longer than the model says
LOG_ODDS_AFTER_SWITCH = 2.0  # more in the first days of a phase, when water moves too
LOG_ODDS_BACK = 3.0  # evidence needed to return to the old scale (a journey)
LOG_ODDS_KEPT = 4.0  # evidence for a new scale that a return has to make up for, at most
AFTER_SWITCH_DAYS = 10
GIVEN_UP, GIVEN_UP_RISE = -1.0, 0.8  # a suspicion ends when its log odds fall behind this line over weigh-ins
LEAST_WEIGHINGS, MOST_WEIGHINGS, MOST_WEIGHINGS_BACK = 7.0, 20.0, 30.0
LEAST_SHIFT_KG = 2.0  # smaller ones cannot be told from water: taking water for a scale costs more than it gains
KNOWN_WEIGHINGS = 7.0  # before these the level itself is not known well enough


@dataclass(frozen=True)
class Suspicion:
    """The branches with a new scale after a morning; moments of the athletes `rows` only."""

    rows: Ints
    mean: Floats
    cov: Floats
    updates: tuple[kalman.Update, ...]
    active: Bools  # (athletes,), like all below
    begun: Bools
    adopted: Bools
    returning: Bools
    score: Floats
    weighings: Floats

    def settle(
        self, state: FilterState, updates: tuple[kalman.Update, ...]
    ) -> tuple[FilterState, tuple[kalman.Update, ...], tuple[kalman.Update, ...]]:
        """Store the branches; an adopted one changes places with the main branch, which may come back.

        `updates` are the main branch's of the morning. Returns the state (its moments changed in place) and the updates
        of the main branch and of `rows`, as they stand afterwards.
        """
        here = self.updates
        if self.rows.size:
            won = self.adopted[self.rows]
            rows = self.rows[won]
            mean, cov = self.mean, self.cov
            if rows.size:
                mean[:, won], state.mean[:, rows] = state.mean[:, rows], mean[:, won]
                cov[:, :, won], state.cov[:, :, rows] = state.cov[:, :, rows], cov[:, :, won]
                theirs = tuple(kalman.pick(done, self.rows) for done in updates)
                updates = tuple(kalman.put(u, rows, kalman.pick(h, won)) for u, h in zip(updates, here, strict=True))
                here = tuple(kalman.choose(won, t, h) for t, h in zip(theirs, here, strict=True))
            state.scale_mean[:, self.rows] = mean
            state.scale_cov[:, :, self.rows] = cov
        state = changed(
            state,
            scale_active=self.active,
            scale_returning=self.returning,
            scale_score=self.score,
            scale_weighings=self.weighings,
        )
        return state, updates, here


def follow(
    state: FilterState,
    switch: Bools,
    target: tuple[Floats, Floats, kalman.Update],
    h: Floats,
    mass_kg: Floats,
    noise_scale: Floats,
    main_log_density: Floats,
    main_z2: Floats,
    main_miss_kg: Floats,
    phase_day: Ints,
) -> Suspicion:
    """Take one morning into the branches with a new scale; before the main branch takes in its weigh-in.

    `target` is what was told of maintenance: value, spread and the main branch's update. `mass_kg` NaN: no (usable)
    weigh-in. A branch begins as a copy of the main one with an unknown shift, N(0, 1.2 kg), at a weigh-in that is off;
    the log odds of both branches' densities decide. Once adopted, the former main branch waits as the other one.
    """
    used = ~np.isnan(mass_kg)
    begun = used & ~state.scale_active & (main_z2 > SUSPECT_SD**2) & (main_miss_kg > SUSPECT_KG)
    begun &= state.weighed_days >= KNOWN_WEIGHINGS
    alive = state.scale_active | begun
    returning = state.scale_returning & ~begun
    rows = np.flatnonzero(alive)
    score, weighings = np.where(begun, 0.0, state.scale_score), np.where(begun, 0.0, state.scale_weighings)
    if not rows.size:
        none = np.zeros_like(begun)
        return Suspicion(
            rows, state.mean[:, :0], state.cov[:, :, :0], (), none, begun, none, returning, score, weighings
        )
    mean = np.ascontiguousarray(state.scale_mean[:, rows])
    cov = np.ascontiguousarray(state.scale_cov[:, :, rows])
    implied, spread, told = target
    branch.switch_phase(mean, cov, switch[rows], state.reference_kcal[rows])
    told_here = branch.hear_target(mean, cov, implied[rows], spread[rows])
    fresh = begun[rows]
    mean[:, fresh] = state.mean[:, rows[fresh]]
    cov[:, :, fresh] = state.cov[:, :, rows[fresh]]
    cov[SCALE, SCALE, fresh] += m.SCALE_STEP_SD_KG**2
    told_here = kalman.choose(fresh, kalman.pick(told, rows), told_here)
    here = np.ascontiguousarray(h[:, rows])
    sight = branch.see(mean, cov, here, mass_kg[rows], noise_scale[rows], state.water_variance[rows])
    weighed = branch.weigh(mean, cov, here, mass_kg[rows], sight, np.zeros_like(fresh))
    score[rows] += sight.log_density - main_log_density[rows]
    weighings = weighings + (used & alive)
    needed = LOG_ODDS + np.where((phase_day > 0) & (phase_day <= AFTER_SWITCH_DAYS), LOG_ODDS_AFTER_SWITCH, 0.0)
    needed = np.where(returning, LOG_ODDS_BACK, needed)
    shift_kg = np.zeros_like(score)
    shift_kg[rows] = np.abs(mean[SCALE] - state.mean[SCALE, rows])
    adopted = alive & (score > needed) & (weighings >= LEAST_WEIGHINGS) & (returning | (shift_kg > LEAST_SHIFT_KG))
    behind = score < GIVEN_UP + GIVEN_UP_RISE * weighings
    finished = np.where(returning, weighings >= MOST_WEIGHINGS_BACK, (weighings >= MOST_WEIGHINGS) | behind)
    return Suspicion(
        rows,
        mean,
        cov,
        (told_here, weighed),
        active=alive & (adopted & ~returning | ~adopted & ~finished),
        begun=begun,
        adopted=adopted,
        returning=(returning & ~adopted & ~finished) | (adopted & ~returning),
        score=np.where(adopted, -np.minimum(score, LOG_ODDS_KEPT), score),
        weighings=np.where(adopted, 0.0, weighings),
    )
