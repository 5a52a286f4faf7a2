"""Is another scale in use? A second branch in which the scale shifted, followed until weigh-ins decide."""

from dataclasses import dataclass, replace

import numpy as np

from . import estimation_branch as branch
from . import estimation_model as m
from . import kalman
from .estimation_model import SCALE
from .estimation_state import FilterState
from .records import Bools, Floats, Ints

SUSPECT_SD = 1.3  # a weigh-in this far off makes a new scale thinkable
RESUSPECT_SD = 1.8  # and this far, if an older suspicion has nothing going for it
LOG_ODDS = 9.0  # evidence needed: a new scale is rare, and weigh-ins resemble each other more than the model says
LOG_ODDS_AFTER_SWITCH = 2.0  # more in the first days of a phase, when water moves too
AFTER_SWITCH_DAYS = 10
GIVEN_UP = -2.5
LEAST_WEIGHINGS, MOST_WEIGHINGS = 4.0, 16.0
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
    score: Floats
    weighings: Floats

    def settle(self, state: FilterState) -> FilterState:
        """Store the branches, and let an adopted one replace the main branch (in place)."""
        if self.rows.size:
            if not state.scale_active.any():
                state = replace(state, scale_mean=state.scale_mean.copy(), scale_cov=state.scale_cov.copy())
            state.scale_mean[:, self.rows] = self.mean
            state.scale_cov[:, :, self.rows] = self.cov
            won = self.adopted[self.rows]
            state.mean[:, self.rows[won]] = self.mean[:, won]
            state.cov[:, :, self.rows[won]] = self.cov[:, :, won]
        return replace(state, scale_active=self.active, scale_score=self.score, scale_weighings=self.weighings)


def follow(
    state: FilterState,
    switch: Bools,
    target: tuple[Floats, Floats, kalman.Update],
    h: Floats,
    mass_kg: Floats,
    noise_scale: Floats,
    main_log_density: Floats,
    main_z2: Floats,
    phase_day: Ints,
) -> Suspicion:
    """Take one morning into the branches with a new scale; before the main branch takes in its weigh-in.

    `target` is what was told of maintenance: value, spread and the main branch's update. `mass_kg` NaN: no (usable)
    weigh-in. A branch begins as a copy of the main one with an unknown shift, N(0, 1.2 kg), at a weigh-in that is off;
    the log odds of both branches' densities decide.
    """
    used = ~np.isnan(mass_kg)
    idle = ~state.scale_active | ((state.scale_score < 0.0) & (main_z2 > RESUSPECT_SD**2))
    begun = used & idle & (main_z2 > SUSPECT_SD**2) & (state.weighed_days >= KNOWN_WEIGHINGS)
    any_branch = state.scale_active | begun
    rows = np.flatnonzero(any_branch)
    score, weighings = np.where(begun, 0.0, state.scale_score), np.where(begun, 0.0, state.scale_weighings)
    none = np.zeros_like(begun)
    if not rows.size:
        return Suspicion(rows, state.mean[:, :0], state.cov[:, :, :0], (), none, begun, none, score, weighings)
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
    weighed = branch.weigh(mean, cov, here, mass_kg[rows], sight, none[rows])
    score[rows] += sight.log_density - main_log_density[rows]
    weighings = weighings + (used & any_branch)
    needed = LOG_ODDS + np.where((phase_day > 0) & (phase_day <= AFTER_SWITCH_DAYS), LOG_ODDS_AFTER_SWITCH, 0.0)
    adopted = any_branch & (score > needed) & (weighings >= LEAST_WEIGHINGS)
    active = any_branch & ~adopted & (score > GIVEN_UP) & (weighings < MOST_WEIGHINGS)
    return Suspicion(rows, mean, cov, (told_here, weighed), active, begun, adopted, score, weighings)
