"""From the sets of one exercise in one session to one measurement of strength.

The result is kept beside the entry, when it is written, without knowing the athlete's mass: the one-repetition maximum
is a straight line in body mass, so `one_rep_max_kg(mass_kg)` gives it later for whatever the average mass then is. A
pull-up's maximum is the whole system (body + added − assistance): a lighter athlete with the same belt weight is not
stronger.
"""

from collections.abc import Sequence
from functools import lru_cache
from math import log, sqrt
from operator import attrgetter
from typing import NamedTuple

from service.domain.strength.repetitions import factor_of_one_set

USUAL_RIR = 2.0  # of a set that says nothing: work sets stop 1–3 short of failure (common practice, no source)
RIR_SD = 1.0  # repetitions, error of a reported RIR near failure (Zourdos 2016 finds about that)
RIR_SD_PER_RIR = 0.15  # repetitions more for each in reserve: the further from failure, the worse (no single source)
MISSING_RIR_SD = 1.5  # repetitions, error of a RIR that was not reported (judgement)
SHARED_ERROR = 0.1  # correlation of the RIR errors of one session (judgement)
FATIGUE_REPS, FATIGUE_SHARE = 0.35, 0.045  # repetitions and share of them lost per work set before, at equal RIR
FATIGUE_SETS = 4  # more tire no further (fatigue: common practice, no source)
RELIABLE_REPS = 12.0  # effective repetitions up to which curves are good (see `repetitions`)
UNRELIABLE_LOG_SD = 0.012  # log units more, for each effective repetition beyond RELIABLE_REPS (judgement)
WARM_UP_LOAD = 0.9  # an unmarked set before the heaviest one is a warm-up below this share of its load ...
WARM_UP_ESTIMATE = 0.92  # ... when it would also put the maximum below this share of the heaviest set's
TYPICAL_MASS_KG = 75.0  # only to compare the loads of one session of a body-weight lift


class LiftSet(NamedTuple):
    """One set: external load (assistance is negative), what was done of it, RIR and mark as logged.

    Holds have `seconds` and carries `distance_m` instead of repetitions.
    """

    external_kg: float
    reps: int
    rir: float | None = None
    kind: str | None = None  # "warm_up", "work" or not marked
    aids: bool = False  # straps or belt
    pain: float | None = None  # 0–10
    seconds: float | None = None
    distance_m: float | None = None

    @property
    def counted(self) -> float:
        """Repetitions, seconds or metres done, whichever the exercise counts; 0 is a failed attempt."""
        return self.seconds or self.distance_m or self.reps


class SessionLift(NamedTuple):
    """One exercise in one session as the filter needs it; plain numbers, fit for a row.

    1RM = body_mass_coefficient · mass + intercept_kg. `log_sd` is the measurement error of log 1RM without day form;
    `curve_exposure` = 1 − load / 1RM: how much of the estimate rests on the repetition curve.
    """

    body_mass_coefficient: float
    intercept_kg: float
    log_sd: float
    curve_exposure: float
    hard_sets: int
    top_external_kg: float
    top_reps: int
    top_rir: float | None
    aids: bool
    pain: float | None  # the worst of the session

    def one_rep_max_kg(self, mass_kg: float) -> float:
        """System one-repetition maximum at a body mass, kg."""
        return self.body_mass_coefficient * mass_kg + self.intercept_kg


def summarise_sets(
    sets: Sequence[LiftSet],
    *,
    body_mass_share: float = 0.0,
    repetition_curve: str = "table",
    measures_strength: bool = True,
) -> SessionLift | None:
    """Summarise a session's sets of one exercise, in the order they were done; None when no work set was completed.

    `body_mass_share` is the part of body mass that is lifted, `repetition_curve` a name in `repetitions.CURVES`.
    Holds and carries have `measures_strength` false: their sets are counted, their maximum is 0.

    Work sets count alike: each is corrected for the fatigue of those before it, and their mean maximum is the
    measurement, so that a heavier or longer work set always raises it. A missing RIR is taken from the session's other
    sets, or as USUAL_RIR, with a wider error. Without any load (a band) the sets are counted but the maximum is 0: it
    measures no strength.
    """
    done = [lift_set for lift_set in sets if lift_set.counted > 0 and lift_set.kind != "warm_up"]
    if not measures_strength:
        return _counted_only(sets, done)
    loaded = done if body_mass_share > 0.0 else [lift_set for lift_set in done if lift_set.external_kg > 0.0]
    work = _without_warm_ups(loaded or done, body_mass_share, repetition_curve)
    if not work:
        return None
    reported = [lift_set.rir for lift_set in work if lift_set.rir is not None]
    usual_rir = sum(reported) / len(reported) if reported else USUAL_RIR
    factors, variances = [], []
    for position, lift_set in enumerate(work):
        reserve = usual_rir if lift_set.rir is None else lift_set.rir
        effective = lift_set.reps + reserve
        effective += min(position, FATIGUE_SETS) * (FATIGUE_REPS + FATIGUE_SHARE * effective)
        factors.append(factor_of_one_set(effective, repetition_curve))
        variances.append(_variance(effective, lift_set.rir, repetition_curve))
    count = len(work)
    mean_factor = sum(factors) / count
    top = max(work, key=attrgetter("external_kg", "reps"))
    pains = [lift_set.pain for lift_set in sets if lift_set.pain is not None]
    return SessionLift(
        body_mass_coefficient=float(body_mass_share * mean_factor),
        intercept_kg=float(sum(f * lift_set.external_kg for f, lift_set in zip(factors, work, strict=True)) / count),
        log_sd=sqrt(sum(variances) / count * (SHARED_ERROR + (1.0 - SHARED_ERROR) / count)),
        curve_exposure=1.0 - 1.0 / mean_factor,
        hard_sets=count,
        top_external_kg=float(top.external_kg),
        top_reps=int(top.reps),
        top_rir=None if top.rir is None else float(top.rir),
        aids=any(lift_set.aids for lift_set in work),
        pain=float(max(pains)) if pains else None,
    )


def pain_only(sets: Sequence[LiftSet]) -> SessionLift | None:
    """What is kept of an exercise without a completed work set: its worst pain, nothing measured; None without pain."""
    worst = max((lift_set.pain or 0.0 for lift_set in sets), default=0.0)
    return SessionLift(0.0, 0.0, 0.0, 0.0, 0, 0.0, 0, None, False, float(worst)) if worst > 0.0 else None


def _counted_only(sets: Sequence[LiftSet], work: Sequence[LiftSet]) -> SessionLift | None:
    if not work:
        return None
    pains = [lift_set.pain for lift_set in sets if lift_set.pain is not None]
    return SessionLift(
        body_mass_coefficient=0.0,
        intercept_kg=0.0,
        log_sd=0.0,
        curve_exposure=0.0,
        hard_sets=len(work),
        top_external_kg=float(max(lift_set.external_kg for lift_set in work)),
        top_reps=0,
        top_rir=None,
        aids=any(lift_set.aids for lift_set in work),
        pain=float(max(pains)) if pains else None,
    )


def _load(lift_set: LiftSet, body_mass_share: float) -> float:
    return max(body_mass_share * TYPICAL_MASS_KG + lift_set.external_kg, 0.0)


def _without_warm_ups(done: list[LiftSet], share: float, curve: str) -> list[LiftSet]:
    if not done:
        return []
    loads = [_load(lift_set, share) for lift_set in done]
    if min(loads) >= WARM_UP_LOAD * max(loads):
        return done
    maxima = [
        load * factor_of_one_set(lift_set.reps + (USUAL_RIR if lift_set.rir is None else lift_set.rir), curve)
        for load, lift_set in zip(loads, done, strict=True)
    ]
    heaviest = max(range(len(done)), key=lambda i: loads[i])
    return [
        lift_set
        for i, lift_set in enumerate(done)
        if lift_set.kind == "work"
        or i >= heaviest
        or loads[i] >= WARM_UP_LOAD * loads[heaviest]
        or maxima[i] >= WARM_UP_ESTIMATE * maxima[heaviest]
    ]


@lru_cache(maxsize=4096)
def _variance(effective_reps: float, rir: float | None, curve: str) -> float:
    """Variance of the log maximum from one set: RIR error and whole repetitions through the curve's slope."""
    slope = log(
        factor_of_one_set(effective_reps + 0.5, curve) / factor_of_one_set(max(effective_reps - 0.5, 1.0), curve)
    )
    rir_variance = MISSING_RIR_SD**2 if rir is None else RIR_SD**2 + (RIR_SD_PER_RIR * rir) ** 2
    beyond = UNRELIABLE_LOG_SD * max(effective_reps - RELIABLE_REPS, 0.0)
    return slope**2 * (rir_variance + 1.0 / 12.0) + beyond**2
