"""How far energy may move: the adjustment that the rate asks for, and the step taken for each reason to move it."""

from dataclasses import dataclass
from math import ceil, floor
from typing import Literal

from service.domain.evidence import Evidence, Kind
from service.domain.policy import Policy
from service.domain.rules.findings import mean_at
from service.domain.rules.targets import (
    BUILD_BAND,
    CUT_ENERGY,
    ENERGY_FLOOR,
    MAINTAIN_ENERGY,
    PHASE_ENERGY,
    build_band_pct,
    energy_floor_kcal,
    lowest_energy,
    phase_energy,
)

Direction = Literal["raise", "lower"]

# What the functions below read of the policy, for the rules that ask them.
_SIZE = ("energy_step_min_kcal", "energy_step_max_kcal", "energy_step_max_pct")
CUT_ADJUSTMENT = (
    "energy_quiet_days",
    "cut_rate_fast_pct",
    "cut_rate_slow_pct",
    "energy_change_probability",
    "not_in_deficit_probability",
)
ADJUSTMENT = (*CUT_ADJUSTMENT, *BUILD_BAND, "maintain_rate_pct")
CUT_OR_BUILD_STEP = (*CUT_ADJUSTMENT, *BUILD_BAND, *_SIZE, *PHASE_ENERGY)
MAINTAIN_STEP = ("energy_quiet_days", "maintain_rate_pct", "energy_change_probability", *_SIZE, *MAINTAIN_ENERGY)
STRENGTH_STEP = ("cut_rate_slow_pct", *_SIZE, *CUT_ENERGY)
RECOVERY_STEP = ("energy_quiet_days", "energy_change_min_interval_days", *_SIZE, *ENERGY_FLOOR)


@dataclass(frozen=True)
class EnergyAdjustment:
    """A change of energy that the rate asks for: which way, the finding's code, and the side of the band it lies on."""

    direction: Direction
    code: str
    edge_pct: float
    side: Literal["above", "below"]
    probability: float


def rate_edges(evidence: Evidence, policy: Policy) -> tuple[tuple[float, Literal["below", "above"]], ...]:
    """The means of the rate from which energy would be moved: below the band and above it; empty without a rate."""
    rate, kind = evidence.rate, evidence.kind
    if rate is None or kind is None:
        return ()
    low, high = rate_band_pct(evidence, policy, kind)
    p = policy.energy_change_probability
    return (mean_at(low, rate.sd, p, "below"), "below"), (mean_at(high, rate.sd, p, "above"), "above")


@dataclass(frozen=True)
class Step:
    """A change of the energy target, kcal; from 0 where no target is in force."""

    from_kcal: float
    to_kcal: float

    @property
    def is_rise(self) -> bool:
        """Whether energy goes up."""
        return self.to_kcal > self.from_kcal


def rate_band_pct(evidence: Evidence, policy: Policy, kind: Kind) -> tuple[float, float]:
    """The lower and upper edge of a phase's band of rates, %/week."""
    if kind == "cut":
        return policy.cut_rate_fast_pct, policy.cut_rate_slow_pct
    return (
        build_band_pct(evidence, policy) if kind == "build" else (-policy.maintain_rate_pct, policy.maintain_rate_pct)
    )


_CODES = {  # kind: finding below the band, finding above it
    "cut": ("rate.too_fast", "rate.too_slow"),
    "build": ("rate.too_slow", "rate.too_fast"),
    "maintain": ("rate.falling", "rate.rising"),
}


def in_first_days(evidence: Evidence, policy: Policy) -> bool:
    """Whether the phase is so young that its rate says nothing yet: water moves, and what is seen is the last phase."""
    return evidence.phase is not None and evidence.phase.day <= policy.energy_quiet_days


def energy_adjustment(evidence: Evidence, policy: Policy) -> EnergyAdjustment | None:
    """The change that the rate asks for when it is outside the band on one side with enough probability.

    None in the first days of a phase.
    """
    rate, kind = evidence.rate, evidence.kind
    if rate is None or kind is None or in_first_days(evidence, policy):
        return None
    low, high = rate_band_pct(evidence, policy, kind)
    below, above = rate.probability_below(low), rate.probability_above(high)
    below_code, above_code = _CODES[kind]
    if below >= policy.energy_change_probability:
        return EnergyAdjustment("raise", below_code, low, "below", below)
    if above >= policy.energy_change_probability:
        return EnergyAdjustment("lower", above_code, high, "above", above)
    without = evidence.probability_not_in_deficit
    if kind == "cut" and without is not None and without >= policy.not_in_deficit_probability:
        return EnergyAdjustment("lower", "rate.not_in_deficit", high, "above", without)
    return None


def bounded(evidence: Evidence, policy: Policy, aim_kcal: float) -> Step | None:
    """The step towards an energy within the policy's largest step and the limits; None when it is not worth making."""
    now = evidence.energy_kcal
    if now is None:
        return None
    most = min(policy.energy_step_max_kcal, now * policy.energy_step_max_pct / 100.0)
    change = min(max(aim_kcal - now, -most), most)
    if change < 0.0:
        least = (
            lowest_energy(evidence, policy).energy_kcal
            if evidence.kind == "cut"
            else energy_floor_kcal(evidence, policy)
        )
        change = max(change, min(0.0, least - now))
    tens = floor if change > 0.0 else ceil  # towards the present target: never past the bound
    to = 10.0 * tens(round((now + change) / 10.0, 6))
    return Step(now, to) if abs(to - now) >= policy.energy_step_min_kcal else None


def first_step(evidence: Evidence, policy: Policy) -> Step | None:
    """The energy that fits the phase, where no target is in force; None with one, or when what fits is not known."""
    if evidence.kind is None or evidence.energy_kcal is not None:
        return None
    fitting = phase_energy(evidence, policy, evidence.kind)
    return Step(0.0, fitting.energy_kcal) if fitting else None


def limit_step(evidence: Evidence, policy: Policy) -> Step | None:
    """The step up to the lowest energy allowed, at once however far; None without a target."""
    now = evidence.energy_kcal
    return None if now is None else Step(now, 10.0 * -(-lowest_energy(evidence, policy).energy_kcal // 10.0))


def rate_step(evidence: Evidence, policy: Policy) -> Step | None:
    """The bounded change for the rate's energy adjustment; None without one or when the target already fits."""
    adjustment = energy_adjustment(evidence, policy)
    if adjustment is None or evidence.kind is None or evidence.energy_kcal is None:
        return None
    fitting = phase_energy(evidence, policy, evidence.kind)
    if fitting is None:
        return None
    aim = fitting.energy_kcal
    if adjustment.code == "rate.too_fast" and evidence.kind == "cut":  # towards safety a least step is always made
        aim = max(aim, evidence.energy_kcal + policy.energy_step_min_kcal)
    change = bounded(evidence, policy, aim)
    if change is None or change.is_rise != (adjustment.direction == "raise"):
        return None
    return change


def strength_step(evidence: Evidence, policy: Policy) -> Step | None:
    """The bounded rise that shrinks a deficit when strength goes: to the slow edge of the band, at most maintenance."""
    slow = phase_energy(evidence, policy, "cut", policy.cut_rate_slow_pct)
    now, maintenance = evidence.energy_kcal, evidence.maintenance_kcal
    if slow is None or now is None or maintenance is None or evidence.kind != "cut":
        return None
    most = now * policy.energy_step_max_pct / 100.0
    least_step = 10.0 * floor(min(policy.energy_step_max_kcal, most) / 20.0)
    aim = min(max(slow.energy_kcal, now + max(policy.energy_step_min_kcal, least_step)), maintenance.mean)
    change = bounded(evidence, policy, aim)
    return change if change is not None and change.is_rise else None


def recovery_step(evidence: Evidence, policy: Policy) -> Step | None:
    """The bounded rise out of a loss that goes on at a floor outside a cut: to maintenance, a least step at the least.

    Never further above maintenance than the largest step: a target that is not eaten is not raised for ever. None in
    the first days of a phase, soon after another change, and where mass is not falling.
    """
    now, rate, maintenance = evidence.energy_kcal, evidence.rate, evidence.maintenance_kcal
    if now is None or rate is None or rate.mean >= 0.0 or maintenance is None or evidence.kind in ("cut", "build"):
        return None
    last = evidence.history.last_energy_change_on
    if last is not None and (evidence.as_of - last).days < policy.energy_change_min_interval_days:
        return None
    if in_first_days(evidence, policy):
        return None
    aim = max(maintenance.mean, now + policy.energy_step_min_kcal)
    change = bounded(evidence, policy, min(aim, maintenance.mean + policy.energy_step_max_kcal))
    return change if change is not None and change.is_rise else None
