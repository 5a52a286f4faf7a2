"""How many complete food days a week are still needed, and what fewer cost.

Maintenance energy is known from intake and weight. Once its interval is narrow and the days are alike, a few logged
days stand for the week; what that costs is the uncertainty of the mean intake over the days that nobody logs.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from service.domain.evidence import Evidence
from service.domain.normal import Z90
from service.domain.policy import Policy
from service.domain.records import Floats, FoodState, Ints
from service.domain.sentence import Sentence, say

ALL = 7
HORIZON_WEEKS = 2  # weekly reviews look at about two weeks of intake
DAY_SD_KCAL = 400.0  # day-to-day spread taken for somebody with too few days to tell; common practice, no source
DAYS_FOR_SPREAD = 7  # complete days from which their spread is used
AFTER_SWITCH_DAYS = 14  # maintenance moves after a switch of phase; common practice, no source
LEAST = {"cut": 3, "build": 2, "maintain": 1}  # common practice, no source
WEIGH_INS_7_D = 3  # without these the weight cannot stand in for the log; common practice, no source
NEAR_USUAL = 0.6  # of the median day; common practice, no source
OPTIONS = (1, 2, 3, 4, 5, 7)
LOGGING_NEED = (  # what it reads of the policy, for the rules that ask it
    "maintenance_interval_pct",
    "not_in_deficit_probability",
    "energy_quiet_days",
    "cut_rate_slow_pct",
    "energy_change_probability",
)


@dataclass(frozen=True)
class LoggingNeed:
    """Complete days wanted per week; why; the 90 % half width, kcal, that the days left out add to the mean intake."""

    complete_days_per_week: int
    because: tuple[str, ...]
    statement: tuple[Sentence, ...]
    risk_kcal: float
    half_width_kcal: float | None
    day_sd_kcal: float


def sparse_risk_kcal(days_per_week: int, day_sd_kcal: float) -> float:
    """90 % half width of the mean intake over two weeks of which only some days are logged, kcal/day.

    Equation: z·s·√((1 − k/7)/(2k)), the standard error of a mean of k of 7 days drawn without putting back, twice
    (Cochran, Sampling Techniques, 1977, eq. 2.20; from memory). Zero when every day is logged.
    """
    if days_per_week <= 0:
        return float("inf")
    return Z90 * day_sd_kcal * sqrt((1.0 - days_per_week / ALL) / (HORIZON_WEEKS * days_per_week))


def logging_need(evidence: Evidence, policy: Policy, day_sd_kcal: float | None) -> LoggingNeed:
    """How much food logging an athlete still needs.

    Parameters: `day_sd_kcal`, spread of the complete days' intake, None when there are too few to tell. Every day until
    the 90 % interval of maintenance is narrower than the policy's ± percentage, within 14 days of a switch of phase,
    and on a stall. Then the fewest days that keep the interval, with what the missing days add (squares added), within
    that percentage; in a cut three at least. With daily weighing at a scatter of 0.35 to 0.55 kg simulated regular
    eaters get there in five to seven weeks, irregular ones in six to nine (`tests/simulated/logging_report.py`).
    """
    spread = DAY_SD_KCAL if day_sd_kcal is None else day_sd_kcal
    maintenance = evidence.maintenance_kcal
    half = None if maintenance is None else (maintenance.hi - maintenance.lo) / 2.0
    whole = _why_all(evidence, policy, half)
    if whole or maintenance is None or half is None:
        return LoggingNeed(ALL, tuple(whole), tuple(whole.values()), 0.0, half, spread)
    allowed = maintenance.mean * policy.maintenance_interval_pct / 100.0
    least = LEAST[evidence.kind or "maintain"]
    fitting = [k for k in OPTIONS if k >= least and sqrt(half**2 + sparse_risk_kcal(k, spread) ** 2) <= allowed]
    days = min(fitting, default=ALL)
    risk = sparse_risk_kcal(days, spread)
    if days == ALL:
        code, statement = "days.irregular", say("logging.days_irregular", spread_kcal=spread)
    else:
        code = "maintenance.known"
        statement = say(
            "logging.maintenance_known", half_width_kcal=half, spread_kcal=spread, days=days, risk_kcal=risk
        )
    return LoggingNeed(days, (code,), (statement,), risk, half, spread)


def _why_all(evidence: Evidence, policy: Policy, half_width_kcal: float | None) -> dict[str, Sentence]:
    """Reasons to log every day, whatever the interval, by their codes."""
    reasons = {}
    maintenance, phase = evidence.maintenance_kcal, evidence.phase
    if maintenance is None or half_width_kcal is None:
        reasons["maintenance.unknown"] = say("logging.maintenance_unknown")
    elif half_width_kcal > maintenance.mean * policy.maintenance_interval_pct / 100.0:
        half_pct, wanted_pct = 100.0 * half_width_kcal / maintenance.mean, policy.maintenance_interval_pct
        reasons["maintenance.wide"] = say("logging.maintenance_wide", half_width_pct=half_pct, wanted_pct=wanted_pct)
    if phase is not None and phase.day <= AFTER_SWITCH_DAYS and evidence.past_phases:
        reasons["phase.switched"] = say("logging.phase_switched", day=phase.day)
    if stalled(evidence, policy):
        reasons["rate.stalled"] = say("logging.rate_stalled")
    if evidence.log.weigh_ins_7_d < WEIGH_INS_7_D:
        reasons["weigh_ins.few"] = say("logging.weigh_ins_few")
    return reasons


def stalled(evidence: Evidence, policy: Policy) -> bool:
    """Whether a cut does not move: probably no deficit, or, after the first days, probably slower than its band."""
    if evidence.kind != "cut" or evidence.phase is None:
        return False
    without, rate = evidence.probability_not_in_deficit, evidence.rate
    if without is not None and without >= policy.not_in_deficit_probability:
        return True
    return (
        rate is not None
        and evidence.phase.day > policy.energy_quiet_days
        and rate.probability_above(policy.cut_rate_slow_pct) >= policy.energy_change_probability
    )


def day_spread_kcal(intake_kcal: Floats, food_state: Ints) -> float | None:
    """Standard deviation of the complete days' intake, kcal; days of unknown completeness count near the usual intake.

    Parameters: one athlete's days, arrays of shape (days,). None with fewer than seven such days.
    """
    logged = np.isfinite(intake_kcal)
    usual = np.median(intake_kcal[logged]) if logged.any() else np.inf
    near = (food_state == FoodState.UNKNOWN) & (np.nan_to_num(intake_kcal) >= NEAR_USUAL * usual)
    whole = intake_kcal[logged & ((food_state == FoodState.COMPLETE) | near)]
    return float(np.std(whole, ddof=1)) if whole.size >= DAYS_FOR_SPREAD else None
