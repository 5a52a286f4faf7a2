"""What to eat in a phase: energy from maintenance and the rate aimed at, then protein, fat, carbohydrate, fibre, meals.

Energy is on the athlete's own logging scale throughout: a target is compared with a log.
"""

from dataclasses import dataclass
from math import ceil, exp, floor, hypot, inf
from statistics import NormalDist

import numpy as np

from service.domain.estimation.model import (
    ADAPTATION_DAYS,
    LEAN_GAIN,
    LEAN_LOSS,
    REPORTING_MEAN,
    transfer_kg_per_kcal,
)
from service.domain.evidence import Evidence, Kind, Meal, Targets
from service.domain.physiology.energy import (
    CARBOHYDRATE_KCAL_PER_G,
    FAT_KCAL_PER_G,
    PROTEIN_KCAL_PER_G,
)
from service.domain.policy import Policy
from service.domain.sentence import Sentence, say

USUAL_FAT_KG = 16.0  # when body fat is unknown
REPORTING_RATIO_MAX = 1.1
MOST_MEALS = 6

# What the functions below read of the policy, for the rules that ask them.
ENERGY_FLOOR = ("energy_floor_male_kcal", "energy_floor_female_kcal")
_INTAKE = ("food_days_min_14_d", "reporting_ratio_min")
DEFICIT_CAPS = (
    "cut_deficit_max_pct",
    "cut_energy_least_pct",
    "cut_deficit_max_kcal_per_kg_fat",
    "expenditure_response_in_the_end",
    *_INTAKE,
)
LOWEST_ENERGY = (*ENERGY_FLOOR, *DEFICIT_CAPS, "deficit_cap_risk")
BUILD_BAND = ("build_rate_slow_pct", "build_rate_fast_pct", "build_novice_factor")
CUT_ENERGY = (*LOWEST_ENERGY, "expenditure_response")  # at a given rate
MAINTAIN_ENERGY = (*ENERGY_FLOOR, "reporting_ratio_min")
PHASE_ENERGY = (*CUT_ENERGY, "cut_rate_aim_pct", *BUILD_BAND, "build_surplus_max_pct")


@dataclass(frozen=True)
class Limit:
    """The lowest energy allowed, kcal, and which limit sets it: `energy_floor` or the name of a deficit's cap."""

    energy_kcal: float
    name: str


@dataclass(frozen=True)
class DeficitCap:
    """The energy at which a deficit is just at its cap, kcal, a normal law: it is as sure as maintenance is.

    `name`: `deficit_share` of the balance, `deficit_least` of maintenance before the cut, `deficit_fat` that covers it.
    """

    name: str
    mean_kcal: float
    sd_kcal: float

    def probability_broken(self, energy_kcal: float) -> float:
        """The probability that an energy is a deficit above the cap."""
        if self.sd_kcal <= 0.0:
            return float(energy_kcal < self.mean_kcal)
        return 1.0 - NormalDist(self.mean_kcal, self.sd_kcal).cdf(energy_kcal)


@dataclass(frozen=True)
class PhaseEnergy:
    """Energy for a phase, kcal on the logging scale, and the limit that bent it, if one did."""

    energy_kcal: float
    limited_by: str | None


def energy_floor_kcal(evidence: Evidence, policy: Policy) -> float:
    """The energy below which no target goes, by sex; the higher one when the sex is unknown."""
    return policy.energy_floor_female_kcal if evidence.athlete.male is False else policy.energy_floor_male_kcal


def reporting_ratio(evidence: Evidence, policy: Policy) -> float:
    """Logged over true energy, from the two maintenance estimates, kept within credible bounds; 1 when unknown."""
    logged, true = evidence.maintenance_kcal, evidence.energy_requirement_kcal
    if logged is None or true is None or true.mean <= 0.0:
        return 1.0
    return min(max(logged.mean / true.mean, policy.reporting_ratio_min), REPORTING_RATIO_MAX)


def fat_mass_kg(evidence: Evidence) -> float | None:
    """Fat mass from average mass and body fat, kg."""
    if evidence.average_mass_kg is None or evidence.body_fat_pct is None:
        return None
    return evidence.average_mass_kg.mean * evidence.body_fat_pct.mean / 100.0


def tissue_kcal_per_kg(fat_kg: float, *, gain: bool) -> float:
    """Intake beside maintenance that makes or takes a kilogram of tissue, kcal/kg on the true scale.

    The estimator's own partition: Forbes' lean share, less in loss and more in gain for people who lift, with the cost
    of storing and the thermic effect of food (`estimation_model.transfer_kg_per_kcal`).
    """
    kg_per_kcal = transfer_kg_per_kcal(np.array([fat_kg]), LEAN_GAIN if gain else LEAN_LOSS)[0]
    return 1.0 / (REPORTING_MEAN * float(kg_per_kcal))


def energy_gap_kcal(evidence: Evidence, policy: Policy, rate_pct_per_week: float) -> float | None:
    """Intake minus maintenance, kcal per day on the logging scale, that moves tissue at a rate.

    Equation: rate/100 × mass/7 × intake per kilogram of tissue × reporting ratio. None when the mass is unknown.
    """
    if evidence.average_mass_kg is None:
        return None
    cost = tissue_kcal_per_kg(fat_mass_kg(evidence) or USUAL_FAT_KG, gain=rate_pct_per_week > 0.0)
    kg_per_day = rate_pct_per_week / 100.0 * evidence.average_mass_kg.mean / 7.0
    return kg_per_day * cost * reporting_ratio(evidence, policy)


def _balance_kcal(evidence: Evidence, policy: Policy, maintenance_kcal: float, followed: float) -> float:
    """Intake that would hold mass once expenditure has followed it: maintenance as it was before a cut, kcal.

    Today's maintenance M has followed today's intake J from the balance B by a share s: M = B − s × (B − J), so
    B = (M − s × J)/(1 − s). Parameters: `followed`, the share s.
    """
    intake = _intake_kcal(evidence, policy, maintenance_kcal)
    return (maintenance_kcal - followed * intake) / (1.0 - followed)


def _followed(evidence: Evidence, policy: Policy) -> float:
    """The share of a change of intake that expenditure has followed by the day of the phase: in 14 days 63 % of it.

    Source of the time: Hall 2011, 10.1016/S0140-6736(11)60812-X.
    """
    in_the_end = policy.expenditure_response_in_the_end
    return in_the_end if evidence.phase is None else in_the_end * (1.0 - exp(-evidence.phase.day / ADAPTATION_DAYS))


def deficit_caps(evidence: Evidence, policy: Policy) -> tuple[DeficitCap, ...]:
    """The energies at which a deficit is at its caps; none while maintenance is unknown.

    At an intake I maintenance comes to M(I) = B − response × (B − I), B the balance. The share of the deficit
    (M(I) − I)/M(I) is at its cap c where I = B × (1 − c)(1 − response)/(1 − (1 − c) × response); it is what fat covers
    where I = B − cover/(1 − response). The law of each carries the spread of maintenance and of body fat.
    Needs are held against those that there are in the end.
    """
    estimate = evidence.maintenance_kcal
    if estimate is None:
        return ()
    response, kept = policy.expenditure_response_in_the_end, 1.0 - policy.cut_deficit_max_pct / 100.0
    followed = _followed(evidence, policy)
    balance = _balance_kcal(evidence, policy, estimate.mean, followed)
    spread = _balance_kcal(evidence, policy, estimate.mean + estimate.sd, followed) - balance
    share = kept * (1.0 - response) / (1.0 - kept * response)
    least = policy.cut_energy_least_pct / 100.0
    caps = [
        DeficitCap("deficit_share", share * balance, share * spread),
        DeficitCap("deficit_least", least * balance, least * spread),
    ]
    fat, mass, body_fat = fat_mass_kg(evidence), evidence.average_mass_kg, evidence.body_fat_pct
    if fat is not None and mass is not None and body_fat is not None:
        per_kg = policy.cut_deficit_max_kcal_per_kg_fat * reporting_ratio(evidence, policy) / (1.0 - response)
        of_fat = per_kg * mass.mean * body_fat.sd / 100.0
        caps.append(DeficitCap("deficit_fat", balance - per_kg * fat, hypot(spread, of_fat)))
    return tuple(caps)


def lowest_energy(evidence: Evidence, policy: Policy, risk: float | None = None) -> Limit:
    """The lowest energy that may be planned, in whole tens: the floor by sex, and no deficit that may be over its caps.

    A cap is kept on the cautious side: the deficit is above it with no more than the policy's chance. Who is little
    known starts milder, who is well known may go the full way. What is maintenance today is no deficit. Parameters:
    `risk`, another chance than the policy's for what the service proposes.
    """
    caution = NormalDist().inv_cdf(1.0 - (policy.deficit_cap_risk if risk is None else risk))
    limits = [Limit(energy_floor_kcal(evidence, policy), "energy_floor")]
    most = inf if evidence.maintenance_kcal is None else _down(evidence.maintenance_kcal.mean)
    limits += [
        Limit(min(_up(cap.mean_kcal + caution * cap.sd_kcal), most), cap.name) for cap in deficit_caps(evidence, policy)
    ]
    return max(limits, key=lambda limit: limit.energy_kcal)


def limit_words(limit: Limit, policy: Policy) -> Sentence:
    """A limit as a coach calls it."""
    names = {
        "energy_floor": say("limit.name.energy_floor"),
        "deficit_share": say("limit.name.deficit_share", share_pct=policy.cut_deficit_max_pct),
        "deficit_least": say("limit.name.deficit_least", share_pct=policy.cut_energy_least_pct),
        "deficit_fat": say("limit.name.deficit_fat"),
    }
    return names[limit.name]


def build_band_pct(evidence: Evidence, policy: Policy) -> tuple[float, float]:
    """The slow and fast edge of a build's rate, %/week; novices may gain faster."""
    factor = policy.build_novice_factor if evidence.athlete.experience == "novice" else 1.0
    return policy.build_rate_slow_pct, policy.build_rate_fast_pct * factor


def aim_pct(evidence: Evidence, policy: Policy, kind: Kind) -> float:
    """The rate that the energy of a phase aims at, %/week."""
    if kind == "cut":
        return policy.cut_rate_aim_pct
    return sum(build_band_pct(evidence, policy)) / 2.0 if kind == "build" else 0.0


def phase_energy(
    evidence: Evidence, policy: Policy, kind: Kind, rate_pct_per_week: float | None = None
) -> PhaseEnergy | None:
    """Energy that a phase of this kind needs now, within all limits.

    Expenditure follows a change of intake in part (adaptation, less activity), so that a cut or build must go further
    than the gap at today's expenditure: energy = balance + gap/(1 − response). A return to maintenance is maintenance
    as it is today. Parameters: `rate_pct_per_week`, another rate than the policy's aim.
    None when maintenance or mass is unknown.
    """
    aim = aim_pct(evidence, policy, kind) if rate_pct_per_week is None else rate_pct_per_week
    gap = energy_gap_kcal(evidence, policy, aim)
    if evidence.maintenance_kcal is None or gap is None:
        return None
    maintenance, floor_kcal = evidence.maintenance_kcal.mean, energy_floor_kcal(evidence, policy)
    fitting = maintenance + gap
    if kind != "maintain":
        response = policy.expenditure_response
        fitting = _balance_kcal(evidence, policy, maintenance, response) + gap / (1.0 - response)
    if kind == "build":
        most = maintenance * (1.0 + policy.build_surplus_max_pct / 100.0)
        limit = Limit(max(maintenance, floor_kcal), "energy_floor")
        if fitting > most:
            return PhaseEnergy(max(_down(most), ceil(limit.energy_kcal)), "surplus_share")
    else:
        limit = lowest_energy(evidence, policy) if kind == "cut" else Limit(floor_kcal, "energy_floor")
    if fitting < limit.energy_kcal:
        return PhaseEnergy(_up(limit.energy_kcal), limit.name)
    return PhaseEnergy(max(_near(fitting), _up(limit.energy_kcal)), None)


def likely_lowest_kcal(evidence: Evidence, policy: Policy) -> float:
    """The lowest energy of a cut with its caps where they are most likely: little known is soon known better."""
    caps = [cap.mean_kcal for cap in deficit_caps(evidence, policy)]
    return max([energy_floor_kcal(evidence, policy), *caps])


def fastest_loss_pct(evidence: Evidence, policy: Policy) -> float:
    """The fastest loss of a cut within its band and the likely limits on energy, %/week; 0 where they leave no room.

    `phase_energy` solved for the rate. The fast edge of the band where maintenance or mass is unknown.
    """
    per_pct_kcal = energy_gap_kcal(evidence, policy, -1.0)
    if evidence.maintenance_kcal is None or per_pct_kcal is None:
        return policy.cut_rate_fast_pct
    response = policy.expenditure_response
    balance = _balance_kcal(evidence, policy, evidence.maintenance_kcal.mean, response)
    room_pct = (balance - likely_lowest_kcal(evidence, policy)) * (1.0 - response) / per_pct_kcal
    return max(policy.cut_rate_fast_pct, min(room_pct, 0.0))


def _intake_kcal(evidence: Evidence, policy: Policy, maintenance_kcal: float) -> float:
    """Present intake on the logging scale: the mean of enough complete days, else what today's rate implies."""
    log = evidence.log
    if log.logged_intake_kcal is not None and log.complete_food_days_14_d >= max(policy.food_days_min_14_d, 1):
        return log.logged_intake_kcal
    gap = energy_gap_kcal(evidence, policy, evidence.rate.mean) if evidence.rate else None
    return maintenance_kcal + (gap or 0.0)


def _near(kcal: float) -> float:
    return floor(kcal / 10.0 + 0.5) * 10.0


def _up(kcal: float) -> float:
    return ceil(round(kcal / 10.0, 6)) * 10.0


def _down(kcal: float) -> float:
    return floor(round(kcal / 10.0, 6)) * 10.0


def macro_targets(
    evidence: Evidence, policy: Policy, kind: Kind | None, energy_kcal: float, *, window: bool, kidney: bool = False
) -> Targets | None:
    """Protein, fat, carbohydrate, fibre and meals for an energy target.

    Parameters: `kind`, the phase the targets are for; `window`, whether the athlete's own eating window may be set;
    `kidney`, whether protein is held down until a professional has cleared it. Fat is what the policy aims at, or what
    the athlete's own share of carbohydrate leaves; protein and fat are multiples of 5 g, carbohydrate takes what is
    left, so 4·protein + 4·carbohydrate + 9·fat meets the energy within 1 % (from 1000 kcal up). None when the mass is
    unknown.
    """
    if evidence.average_mass_kg is None:
        return None
    mass = evidence.average_mass_kg.mean
    least_fat = 5.0 * ceil(policy.fat_min_g_per_kg * mass / 5.0)
    protein = _protein_g(evidence, policy, kind, mass)
    if kidney:
        protein = min(protein, policy.kidney_protein_max_g_per_kg * mass)
    most_protein = max(0.0, (energy_kcal - FAT_KCAL_PER_G * least_fat) / PROTEIN_KCAL_PER_G)
    rounded = 5.0 * (floor(protein / 5.0) if kidney else ceil(round(protein / 5.0, 6)))
    protein = min(rounded, 5.0 * floor(most_protein / 5.0))
    rest = energy_kcal - PROTEIN_KCAL_PER_G * protein
    share = evidence.athlete.carbohydrate_share
    wanted = _fat_g(policy, kind, mass, energy_kcal) if share is None else rest * (1.0 - share) / FAT_KCAL_PER_G
    fat = max(5.0 * floor(wanted / 5.0 + 0.5), least_fat)
    fat = min(fat, float(floor(rest / FAT_KCAL_PER_G)))
    carbohydrate = max(0.0, 5.0 * floor((rest - FAT_KCAL_PER_G * fat) / CARBOHYDRATE_KCAL_PER_G / 5.0 + 0.5))
    count = min(max(evidence.athlete.meals_per_day or policy.meals_per_day, 1), MOST_MEALS)
    fibre = float(floor(policy.fibre_g_per_1000_kcal * energy_kcal / 1000.0 + 0.5))
    return Targets(
        energy_kcal,
        protein,
        fat,
        carbohydrate,
        fibre,
        tuple(
            Meal(slot, kcal * 10.0, grams)
            for slot, kcal, grams in zip(
                range(1, count + 1), _evenly(energy_kcal / 10.0, count), _evenly(protein, count), strict=True
            )
        ),
        evidence.athlete.eating_window if window else None,
    )


def _protein_g(evidence: Evidence, policy: Policy, kind: Kind | None, mass_kg: float) -> float:
    least = policy.protein_min_g_per_kg * mass_kg
    lean = evidence.fat_free_mass_kg
    if kind != "cut":
        return max(policy.protein_aim_g_per_kg * mass_kg, least)
    if lean is None:  # the aim per kg of body mass of somebody with a fifth of fat
        return max(policy.cut_protein_aim_g_per_kg_ffm * 0.8 * mass_kg, least)
    most = policy.cut_protein_max_g_per_kg_ffm * lean
    return min(max(policy.cut_protein_aim_g_per_kg_ffm * lean, least), max(most, 5.0))


def _fat_g(policy: Policy, kind: Kind | None, mass_kg: float, energy_kcal: float) -> float:
    """Fat by sport practice: by body mass in build and maintenance, by energy in a cut."""
    if kind == "cut":
        return policy.cut_fat_energy_pct / 100.0 * energy_kcal / FAT_KCAL_PER_G
    most = policy.fat_max_energy_pct / 100.0 * energy_kcal / FAT_KCAL_PER_G
    return min(policy.fat_aim_g_per_kg * mass_kg, most)


def _evenly(total: float, parts: int) -> list[float]:
    whole = floor(total)
    shares = [float(whole // parts + (1 if i < whole % parts else 0)) for i in range(parts)]
    shares[0] += total - whole
    return shares
