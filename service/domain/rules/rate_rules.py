"""The rules about the rate: is it inside its band, outside, surely so, and is there a deficit at all?"""

from service.domain.evidence import Evidence, Kind, ScalarEstimate
from service.domain.policy import Policy
from service.domain.rules.energy_rules import DIRECTION, energy_direction
from service.domain.rules.energy_step import (
    CUT_OR_BUILD_STEP,
    MAINTAIN_STEP,
    EnergyAdjustment,
    energy_adjustment,
    in_first_days,
    rate_band_pct,
    rate_step,
)
from service.domain.rules.findings import Action, Move, Severity, Stage, Verdict, mean_at
from service.domain.rules.rule import Judge, Rule
from service.domain.sentence import Sentence, say


def _runs(kind: Kind, rate: ScalarEstimate) -> Sentence:
    return say("rate.runs", phase=kind, rate=rate.mean, lo=rate.lo, hi=rate.hi)


def _rate_moves(evidence: Evidence, adjustment: EnergyAdjustment, probability: float) -> tuple[Move, ...]:
    """Where the rate's mean would have to be for the adjustment to end."""
    rate = evidence.rate
    if rate is None:
        return ()
    which = "tissue_rate_pct_per_week" if evidence.tissue_rate_pct_per_week is not None else "rate_pct_per_week"
    limit = mean_at(adjustment.edge_pct, rate.sd, probability, adjustment.side)
    return (Move(f"{which}.mean", limit, "below" if adjustment.side == "above" else "above"),)


def _outside(code: str, kinds: tuple[Kind, ...]) -> Judge:
    """Whether the rate lies surely outside its band on the side that the code names."""

    def judge(evidence: Evidence, policy: Policy) -> Verdict | None:
        rate, kind = evidence.rate, evidence.kind
        if rate is None or kind not in kinds:
            return None
        adjustment = energy_adjustment(evidence, policy)
        if adjustment is None or adjustment.code != code:
            return None
        step, (low, high) = rate_step(evidence, policy), rate_band_pct(evidence, policy, kind)
        change = None
        if step is not None:
            change = say(f"rate.{adjustment.direction}_energy", change_kcal=abs(step.to_kcal - step.from_kcal))
        statement = say(
            "rate.wrong_way" if code == "rate.too_slow" and adjustment.edge_pct * round(rate.mean, 2) < 0.0 else code,
            runs=_runs(kind, rate),
            low=low,
            high=high,
            probability=adjustment.probability,
            change=change,
        )
        numbers = {
            "rate_pct_per_week": rate.mean,
            "edge_pct_per_week": adjustment.edge_pct,
            "probability": adjustment.probability,
        }
        return Verdict(statement, numbers, _rate_moves(evidence, adjustment, policy.energy_change_probability))

    return judge


def _not_in_deficit(evidence: Evidence, policy: Policy) -> Verdict | None:
    without, eaten = evidence.probability_not_in_deficit, evidence.log.logged_intake_kcal
    if evidence.kind != "cut" or without is None or without < policy.not_in_deficit_probability:
        return None
    if in_first_days(evidence, policy):
        return None
    log = None if eaten is None else say("rate.complete_days_average", eaten_kcal=eaten)
    statement = say("rate.not_in_deficit", probability=without, least_pct=policy.no_deficit_pct, log=log)
    move = Move("probability_not_in_deficit", policy.not_in_deficit_probability, "below")
    return Verdict(statement, {"probability": without, "logged_intake_kcal": eaten}, (move,))


def _stays(evidence: Evidence, policy: Policy) -> bool:
    """Whether the rate is judged and energy stays."""
    return not in_first_days(evidence, policy) and energy_direction(evidence, policy) is None


def _in_band(evidence: Evidence, policy: Policy) -> Verdict | None:
    rate, kind = evidence.rate, evidence.kind
    if rate is None or kind is None or not _stays(evidence, policy):
        return None
    low, high = rate_band_pct(evidence, policy, kind)
    if not low <= rate.mean <= high:
        return None
    statement = say("rate.in_band", runs=_runs(kind, rate), low=low, high=high)
    return Verdict(statement, {"rate_pct_per_week": rate.mean, "band_pct_per_week": [low, high]})


def _unsure(evidence: Evidence, policy: Policy) -> Verdict | None:
    rate, kind = evidence.rate, evidence.kind
    if rate is None or kind is None or not _stays(evidence, policy):
        return None
    low, high = rate_band_pct(evidence, policy, kind)
    if low <= rate.mean <= high:
        return None
    sure = rate.probability_below(low) if rate.mean < low else rate.probability_above(high)
    statement = say("rate.unsure", runs=_runs(kind, rate), low=low, high=high, probability=sure)
    numbers = {"rate_pct_per_week": rate.mean, "band_pct_per_week": [low, high], "probability": sure}
    return Verdict(statement, numbers)


RULES: tuple[Rule, ...] = (
    Rule(
        "rate.not_in_deficit",
        Stage.ENERGY,
        Severity.ADVICE,
        Action.CHANGE_ENERGY,
        ("energy_quiet_days", "not_in_deficit_probability", "no_deficit_pct"),
        _not_in_deficit,
        step=rate_step,
    ),
    Rule(
        "rate.too_fast",
        Stage.ENERGY,
        Severity.WARNING,
        Action.CHANGE_ENERGY,
        CUT_OR_BUILD_STEP,
        _outside("rate.too_fast", ("cut", "build")),
        step=rate_step,
        rise="when_due",  # of a cut: that of a build lowers energy
    ),
    Rule(
        "rate.too_slow",
        Stage.ENERGY,
        Severity.ADVICE,
        Action.CHANGE_ENERGY,
        CUT_OR_BUILD_STEP,
        _outside("rate.too_slow", ("cut", "build")),
        step=rate_step,
    ),
    Rule(
        "rate.falling",
        Stage.ENERGY,
        Severity.ADVICE,
        Action.CHANGE_ENERGY,
        MAINTAIN_STEP,
        _outside("rate.falling", ("maintain",)),
        step=rate_step,
        rise="when_due",
    ),
    Rule(
        "rate.rising",
        Stage.ENERGY,
        Severity.ADVICE,
        Action.CHANGE_ENERGY,
        MAINTAIN_STEP,
        _outside("rate.rising", ("maintain",)),
        step=rate_step,
    ),
    Rule(
        "rate.in_band",
        Stage.ENERGY,
        Severity.INFO,
        None,
        DIRECTION,
        _in_band,
        supports_hold=True,
    ),
    Rule(
        "rate.unsure",
        Stage.ENERGY,
        Severity.INFO,
        None,
        DIRECTION,
        _unsure,
        supports_hold=True,
    ),
)
