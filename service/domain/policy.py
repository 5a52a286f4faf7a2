"""The thresholds of every decision rule, as data: default, unit, allowed range, source and meaning.

A `Policy` is a frozen set of values; a practice changes some of them within their ranges and keeps the rest. Sources
marked "from memory" were not checked against the print; "common practice, no source" is what coaches do without a
single paper behind it. Rates are signed: loss is negative.
"""

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from itertools import pairwise
from typing import Any, NamedTuple

PRACTICE = "common practice, no source"
MEMORY = ", from memory"
CYCLE = "mean 0.45 kg at menstruation (n 42), doi 10.1002/ajhb.23951; up to 1 kg, common practice"
HELMS = "Helms 2014, doi 10.1186/1550-2783-11-20"
IRAKI = "Iraki 2019, doi 10.3390/sports7070154"
MORTON = "Morton 2018, doi 10.1136/bjsports-2017-097608"
ALPERT = "Alpert 2005, J Theor Biol 233:1" + MEMORY
NFHS = "school wrestling weight rule (NFHS)"
NHLBI = "NHLBI 1998 guideline" + MEMORY
LOUCKS = "Loucks & Thuma 2003; as a screen sensitivity 45 %, specificity 78 %"
ACSM_LOADS = "ACSM 2009 progression models"
ACSM_NOVICE = "ACSM 2009 progression models: 8–12 RM for the untrained and for older adults"
VOLUME = "Baz-Valle 2022, J Hum Kinet 81:199: 12–20 sets in trained men"
REFER = "referral list, common practice" + MEMORY
SEVERE = "7–10 is severe pain (Serlin 1995, Pain 61:277" + MEMORY + "); to stop there is common practice"
RDA = "dietary reference intake for adults" + MEMORY
MATADOR = "Byrne 2018 (MATADOR: two weeks on, two off); helps adherence, no metabolic benefit promised"


def citation(source: str) -> str:
    """A source as a finding cites it: without what only who checks the thresholds must know of it."""
    return re.sub("[,;] (?:from memory|no source)[^);]*", "", source)


class Fault(NamedTuple):
    """One thing wrong with a proposed change: the threshold's name, a stable code, a sentence, what it clashes with."""

    name: str
    code: str
    detail: str
    against: str | None = None


def _t(default: float, unit: str, low: float, high: float, source: str, says: str) -> Any:
    return field(default=default, metadata={"unit": unit, "range": (low, high), "source": source, "description": says})


@dataclass(frozen=True)
class Policy:
    """Values of all thresholds; attribute access by name, defaults are the service's own policy."""

    # cut
    cut_min_days: int = _t(
        28, "d", 7, 84, PRACTICE, "A stall ends no cut before; none begins that would be below the BMI floor by then."
    )
    cut_plan_days: int = _t(35, "d", 14, 84, PRACTICE, "Length planned for a new cut.")
    cut_max_days: int = _t(42, "d", 14, 112, PRACTICE, "A cut ends on this day at the latest.")
    cut_rate_fast_pct: float = _t(-1.0, "%/week", -1.5, -0.3, HELMS, "Fast edge of the band of body mass change.")
    cut_rate_slow_pct: float = _t(-0.5, "%/week", -1.2, -0.1, HELMS, "Slow edge of the band of body mass change.")
    cut_rate_aim_pct: float = _t(
        -0.7, "%/week", -1.2, -0.2, "Garthe 2011, IJSNEM 21:97 (slow group)", "Rate that the energy of a cut aims at."
    )
    cut_deficit_max_pct: float = _t(25, "% of maintenance", 5, 35, PRACTICE, "Largest deficit of a cut.")
    cut_deficit_max_kcal_per_kg_fat: float = _t(
        69, "kcal/kg fat/d", 20, 75, ALPERT, "Largest deficit that stored fat can cover; semi-starvation data."
    )
    cut_energy_least_pct: float = _t(
        70, "% of maintenance before the cut", 65, 90, PRACTICE, "Least energy of a cut, however far needs have fallen."
    )
    deficit_cap_risk: float = _t(
        0.25, "probability", 0.05, 0.5, PRACTICE, "Most chance that the deficit of a new target is above its cap."
    )
    deficit_cap_refusal: float = _t(
        0.5,
        "probability",
        0.25,
        0.5,
        PRACTICE,
        "That chance from which a coach's own target is refused.",
    )
    deficit_cap_probability: float = _t(
        0.8,
        "probability",
        0.5,
        0.99,
        PRACTICE,
        "How sure to be that a running deficit is above its cap to end it.",
    )
    no_deficit_pct: float = _t(
        5, "% of maintenance", 1, 15, PRACTICE, "A deficit smaller than this does not count as one."
    )
    not_in_deficit_probability: float = _t(
        0.8, "probability", 0.5, 0.99, PRACTICE, "How sure to be that a cut is without a deficit before acting."
    )
    # build
    build_min_days: int = _t(28, "d", 14, 168, PRACTICE, "A build does not end before this day, safety apart.")
    build_plan_days: int = _t(42, "d", 14, 336, PRACTICE, "Length planned for a new build.")
    build_rate_slow_pct: float = _t(0.25, "%/week", 0.0, 0.5, IRAKI, "Slow edge of the band of body mass change.")
    build_rate_fast_pct: float = _t(0.5, "%/week", 0.1, 1.0, IRAKI, "Fast edge of the band of body mass change.")
    build_novice_factor: float = _t(
        2, "×", 1, 2, IRAKI + " (novices)" + MEMORY, "The fast edge of a build is multiplied by this for novices."
    )
    build_surplus_max_pct: float = _t(15, "% of maintenance", 0, 25, IRAKI, "Largest surplus of a build.")
    build_fat_ceiling_male_pct: float = _t(20, "% body fat", 12, 30, PRACTICE, "A man's build ends above this.")
    build_fat_ceiling_female_pct: float = _t(30, "% body fat", 18, 40, PRACTICE, "A woman's build ends above this.")
    fat_ceiling_probability: float = _t(
        0.8, "probability", 0.5, 0.99, PRACTICE, "How sure to be that body fat is above its ceiling before acting."
    )
    # maintain
    maintain_min_days: int = _t(28, "d", 7, 84, PRACTICE, "Maintenance lasts at least this long after a cut or build.")
    maintain_max_days: int = _t(42, "d", 14, 168, PRACTICE, "Maintenance is not extended beyond this day.")
    maintain_rate_pct: float = _t(0.25, "%/week", 0.1, 0.75, PRACTICE, "Half width of the band around no change.")
    maintain_return_steps: int = _t(1, "steps", 1, 2, PRACTICE, "Steps in which energy returns to maintenance.")
    diet_break_days: int = _t(14, "d", 7, 28, MATADOR, "Length of a diet break (a short maintenance inside a cut).")
    cuts_in_a_row_max: int = _t(2, "cuts", 1, 4, PRACTICE, "Cuts without a build between them before a build is due.")
    stable_probability: float = _t(
        0.5, "probability", 0.2, 0.95, PRACTICE, "Least probability that the trend is inside the maintenance band."
    )
    phase_lookahead_days: int = _t(
        6, "d", 0, 6, PRACTICE, "A phase that ends before the next weekly review is settled in this one."
    )
    # goal
    goal_probability: float = _t(0.5, "probability", 0.5, 0.95, PRACTICE, "The goal is reached at this probability,")
    goal_measurements: int = _t(2, "measurements", 1, 5, PRACTICE, "… when this many latest measurements agree,")
    goal_tolerance_pct: float = _t(1.0, "% body fat", 0, 3, PRACTICE, "… each at most this far above the goal,")
    goal_measurement_max_age_days: int = _t(42, "d", 7, 120, PRACTICE, "… none of them older than this.")
    # energy step
    energy_change_probability: float = _t(
        0.8, "probability", 0.5, 0.99, PRACTICE, "How sure to be that the rate is outside its band, on one side."
    )
    energy_change_min_interval_days: int = _t(10, "d", 7, 28, PRACTICE, "Least time between two changes of energy.")
    cycle_water_kg: float = _t(1.0, "kg", 0.0, 2.0, CYCLE, "Cycle water left room for while no start is logged.")
    cycle_unseen_days: int = _t(14, "d", 0, 35, PRACTICE, "First days of a log in which that room is left.")
    water_shift_kg: float = _t(0.8, "kg", 0.5, 3.0, PRACTICE, "A rise of the scale in five days beyond tissue: water.")
    water_shift_days: int = _t(10, "d", 5, 28, PRACTICE, "Days for which such a rise must last before energy falls.")
    flat_cut_days: int = _t(21, "d", 14, 42, PRACTICE, "Days of a flat scale in a cut that put its log in question.")
    flat_cut_logged_deficit_pct: float = _t(
        15, "% of maintenance", 5, 40, PRACTICE, "Logged deficit, against maintenance well known before it, from which."
    )
    energy_quiet_days: int = _t(
        7, "d", 3, 14, PRACTICE, "First days of a phase in which its rate is not judged and energy stays: water moves."
    )
    energy_step_min_kcal: float = _t(50, "kcal", 20, 150, PRACTICE, "Smaller changes are not worth making.")
    energy_step_max_kcal: float = _t(250, "kcal", 100, 400, PRACTICE, "Largest change at once within a phase.")
    energy_step_max_pct: float = _t(10, "% of energy", 3, 15, PRACTICE, "Largest change at once within a phase.")
    complete_log_days: int = _t(
        10, "of 14 d", 7, 14, PRACTICE, "Complete food days from which a stall is read as a stall and not as a gap."
    )
    reporting_ratio_min: float = _t(
        0.7,
        "×",
        0.5,
        0.9,
        "self-report 15 % low on average (Redman 2014, AJCN 99:71)",
        "Logged over true, doubted below.",
    )
    expenditure_response: float = _t(
        0.1,
        "share",
        0.0,
        0.3,
        "Hall 2011, doi 10.1016/S0140-6736(11)60812-X, from memory: 0.14 with a time constant of 14 days",
        "Share of a change of intake that expenditure follows within a phase; cuts and builds are planned against it.",
    )
    expenditure_response_in_the_end: float = _t(
        0.24,
        "share",
        0.0,
        0.3,
        "Hall 2011 (adaptation 0.14) and less activity: −9.6 % of expenditure at a 25 % deficit, Racette 2012"
        ", in part mass; from memory",
        "Share of a lasting change of intake that expenditure follows; deficits are capped at the balance it leaves.",
    )
    # strength
    strength_loss_pct: float = _t(5, "% of 1RM", 3, 15, PRACTICE, "A drop since the start of the cut that counts.")
    strength_warn_probability: float = _t(
        0.5, "probability", 0.3, 0.9, PRACTICE, "P(lost) over the main lifts that shrinks the deficit."
    )
    strength_end_probability: float = _t(
        0.8, "probability", 0.5, 0.99, PRACTICE, "P(lost) over the main lifts that ends the cut when repeated."
    )
    strength_end_reviews: int = _t(2, "reviews", 1, 4, PRACTICE, "Reviews in a row that must agree on that.")
    rising_probability: float = _t(0.6, "probability", 0.5, 0.95, PRACTICE, "P(rising) from which a lift is rising.")
    plateau_weeks: int = _t(3, "weeks", 2, 7, PRACTICE, "Weekly reviews without a rising main lift: a plateau.")
    # food
    protein_min_g_per_kg: float = _t(1.6, "g/kg", 1.2, 2.4, MORTON, "Least protein per kilogram of body mass.")
    protein_aim_g_per_kg: float = _t(1.8, "g/kg", 1.2, 2.6, IRAKI, "Protein in build and maintenance (1.6–2.2).")
    cut_protein_aim_g_per_kg_ffm: float = _t(2.6, "g/kg FFM", 1.6, 3.1, HELMS, "Protein in a cut (2.3–3.1).")
    cut_protein_max_g_per_kg_ffm: float = _t(3.1, "g/kg FFM", 2.0, 3.5, HELMS, "Most protein in a cut.")
    kidney_protein_max_g_per_kg: float = _t(
        0.8, "g/kg", 0.6, 1.2, RDA, "Most protein the service plans with kidney disease until cleared."
    )
    protein_spread_pct: float = _t(
        20, "% of the mean meal", 5, 50, "Schoenfeld & Aragon 2018, doi 10.1186/s12970-018-0215-1", "Evenness of meals."
    )
    fat_min_g_per_kg: float = _t(0.6, "g/kg", 0.4, 1.5, PRACTICE, "Least fat per kilogram of body mass.")
    fat_aim_g_per_kg: float = _t(
        0.9, "g/kg", 0.5, 1.5, IRAKI + " (0.5–1.5)", "Fat in build and maintenance; carbohydrate takes the rest,"
    )
    fat_max_energy_pct: float = _t(35, "% of energy", 20, 45, RDA + " (20–35 %)", "… fat never being more than this.")
    cut_fat_energy_pct: float = _t(25, "% of energy", 15, 35, HELMS + " (15–30 %)", "Fat in a cut; likewise.")
    fibre_g_per_1000_kcal: float = _t(14, "g/1000 kcal", 5, 25, RDA, "Fibre.")
    meals_per_day: int = _t(3, "meals", 1, 6, PRACTICE, "Meals a day when the athlete has said nothing.")
    # data
    weigh_ins_min_14_d: int = _t(4, "of 14 d", 1, 14, PRACTICE, "Weigh-ins below which no change is proposed.")
    weigh_in_max_age_days: int = _t(7, "d", 2, 21, PRACTICE, "Age of the last weigh-in above which none is proposed.")
    food_days_min_14_d: int = _t(
        4, "of 14 d", 0, 14, PRACTICE, "Complete food days needed while maintenance is not well known."
    )
    maintenance_interval_pct: float = _t(
        10, "± %", 3, 30, PRACTICE, "Maintenance is well known when its 90 % interval is narrower than this."
    )
    maintenance_by_equations_pct: float = _t(
        15, "± %", 5, 40, PRACTICE, "Wider than this it is said to rest on equations, and not on the athlete's log yet."
    )
    # loads
    main_reps_low: int = _t(6, "repetitions", 3, 12, PRACTICE, "Low end of main lifts' work sets.")
    main_reps_high: int = _t(10, "repetitions", 5, 20, PRACTICE, "High end of main lifts' work sets.")
    main_sets_low: int = _t(3, "sets", 1, 6, PRACTICE, "Fewest work sets of a main lift.")
    main_sets_high: int = _t(4, "sets", 2, 8, PRACTICE, "Most work sets of a main lift.")
    load_step_min_pct: float = _t(2, "% of load", 0.5, 5, ACSM_LOADS, "Least increase after the range is exceeded.")
    load_step_max_pct: float = _t(10, "% of load", 2, 10, ACSM_LOADS, "Most increase after the range is exceeded.")
    load_back_off_min_pct: float = _t(5, "% of load", 2, 15, PRACTICE, "Least decrease after misses.")
    load_back_off_max_pct: float = _t(10, "% of load", 5, 20, PRACTICE, "Most decrease after misses.")
    load_misses: int = _t(2, "sessions", 1, 4, PRACTICE, "Misses in a row that lower the load.")
    care_age_y: int = _t(60, "y", 50, 80, PRACTICE, "From this age on training starts lighter and goes on slower,")
    care_break_days: int = _t(28, "d", 14, 84, PRACTICE, "… as after a break of so many days without a session,")
    care_after_break_days: int = _t(28, "d", 7, 84, PRACTICE, "… for so many days from the first session after it,")
    care_untrained_sessions: int = _t(12, "sessions", 0, 48, PRACTICE, "… and for novices in their first sessions:")
    care_reps_low: int = _t(8, "repetitions", 6, 15, ACSM_NOVICE, "… low end of main lifts' work sets in a starter,")
    care_reps_high: int = _t(12, "repetitions", 8, 20, ACSM_NOVICE, "… high end of main lifts' work sets in a starter,")
    care_rir_more: int = _t(1, "repetitions", 0, 3, PRACTICE, "… repetitions more left in reserve to begin with,")
    care_sets_less: int = _t(1, "sets", 0, 2, PRACTICE, "… work sets fewer of every exercise of a starter,")
    care_first_load_pct: float = _t(
        85, "% of load", 50, 100, PRACTICE, "… share of what the estimate's lower bound allows for a first load,"
    )
    care_sessions_at_top: int = _t(
        2, "sessions", 1, 4, "NSCA two-for-two rule" + MEMORY, "… sessions in a row at the top that earn a load."
    )
    weekly_sets_low: float = _t(8, "sets/week", 2, 12, PRACTICE, "Least weekly hard sets of a large muscle in a plan.")
    weekly_sets_high: float = _t(20, "sets/week", 12, 30, VOLUME, "Most weekly hard sets of a muscle in a plan.")
    weekly_sets_small_share: float = _t(
        0.5, "share", 0.0, 1.0, PRACTICE, "Part of the least that is enough for small muscles."
    )
    weekly_sets_care_share: float = _t(
        0.67, "share", 0.3, 1.0, PRACTICE, "Part of the least that is enough for novices and where care is taken."
    )
    weekly_sets_emphasis_low: float = _t(
        12, "sets/week", 8, 20, VOLUME, "Least weekly hard sets of a muscle that a plan emphasises."
    )
    deload_min_weeks: int = _t(4, "weeks", 2, 8, PRACTICE, "Least time between deloads, also on findings.")
    deload_max_weeks: int = _t(8, "weeks", 4, 16, PRACTICE, "A deload is due after this.")
    # strain
    strain_hunger: float = _t(4, "1–5", 3, 5, PRACTICE, "Mean hunger of the week from which it counts as strain.")
    strain_fatigue: float = _t(4, "1–5", 3, 5, PRACTICE, "Mean fatigue of the week from which it counts as strain.")
    strain_sleep_h: float = _t(6, "h", 4, 7, PRACTICE, "Mean sleep of the week below which it counts as strain.")
    strain_signs: int = _t(2, "of 3", 1, 3, PRACTICE, "Signs (hunger, fatigue, sleep) that together are strain.")
    # safety
    body_fat_floor_male_pct: float = _t(7, "% body fat", 6, 15, NFHS, "No deficit for men below this.")
    body_fat_floor_female_pct: float = _t(12, "% body fat", 12, 22, NFHS, "No deficit for women below this.")
    body_fat_floor_probability: float = _t(
        0.3, "probability", 0.05, 0.5, PRACTICE, "Chance of body fat below its floor that ends a deficit,"
    )
    body_fat_floor_readings: int = _t(2, "readings", 1, 3, PRACTICE, "… as do this many latest readings below it.")
    bmi_floor: float = _t(18.5, "kg/m²", 18.5, 22, PRACTICE, "No deficit below this body mass index.")
    energy_floor_male_kcal: float = _t(1500, "kcal/d", 1500, 2200, NHLBI, "No target for men below this.")
    energy_floor_female_kcal: float = _t(1200, "kcal/d", 1200, 1800, NHLBI, "No target for women below this.")
    energy_availability_flag: float = _t(
        30, "kcal/kg FFM/d", 25, 45, LOUCKS, "Energy availability is flagged below this,"
    )
    energy_availability_probability: float = _t(
        0.5, "probability", 0.2, 0.9, PRACTICE, "… when it is below with this probability."
    )
    loss_ceiling_pct: float = _t(
        -1.5, "%/week", -1.5, -1.0, NFHS, "Loss faster than this ends the deficit at once, after the first days."
    )
    loss_ceiling_after_day: int = _t(14, "d", 7, 14, PRACTICE, "Up to this day of a phase water may pass for tissue.")
    loss_ceiling_tissue_probability: float = _t(
        0.3, "probability", 0.1, 0.5, PRACTICE, "Chance of tissue loss beyond the ceiling that ends the deficit."
    )
    loss_ceiling_probability: float = _t(
        0.8,
        "probability",
        0.5,
        0.8,
        PRACTICE,
        "How sure the scale alone must be of it; tissue loss counts by its mean.",
    )
    adult_age_y: float = _t(18, "y", 18, 21, "REDs consensus 2023; common practice", "Younger athletes are referred.")
    menses_late_months: float = _t(
        1.5,
        "months",
        1,
        3,
        PRACTICE,
        "Months since the last menstruation from which no deficit starts or deepens.",
    )
    menses_missing_months: float = _t(3, "months", 1, 3, REFER, "Months without menstruation that are referred.")
    pain_level: float = _t(5, "0–10", 3, 5, REFER, "Pain on a lift or in a region that counts,")
    pain_times: int = _t(2, "days", 1, 2, REFER, "… on this many days,")
    pain_window_days: int = _t(28, "d", 14, 90, PRACTICE, "… this close together, is referred; no load until cleared.")
    pain_stop_level: float = _t(7, "0–10", 5, 7, SEVERE, "Pain that stops its lift, or what loads its region, at once.")
    pain_hold_level: float = _t(4, "0–10", 3, 4, PRACTICE, "Pain that holds the load there; a substitute is offered.")
    pain_calm_level: float = _t(2, "0–10", 0, 2, PRACTICE, "A stop or hold ends when nothing above this is reported")
    pain_calm_days: int = _t(7, "d", 7, 28, PRACTICE, "… for this long,")
    pain_calm_sessions: int = _t(2, "sessions", 2, 6, PRACTICE, "… and over this many days with a training session.")
    pain_return_pct: float = _t(10, "% of load", 10, 30, PRACTICE, "Taken off a lift that comes back from a stop.")
    symptom_window_days: int = _t(14, "d", 7, 60, PRACTICE, "Dizziness and palpitations count for this long.")
    clearance_valid_days: int = _t(365, "d", 30, 365, PRACTICE, "A professional's clearance counts for this long.")
    # check-in
    check_in_no_weigh_in_days: int = _t(3, "d", 1, 14, PRACTICE, "Days without a weigh-in that call for attention.")
    check_in_no_food_days: int = _t(2, "d", 1, 14, PRACTICE, "Days without a food log that call for attention.")
    check_in_missed_sessions: int = _t(1, "sessions", 1, 5, PRACTICE, "Missed sessions of 7 days that do.")
    measurement_every_days: int = _t(28, "d", 7, 120, PRACTICE, "Days between two measurements of body fat.")
    cut_measurement_every_days: int = _t(21, "d", 7, 60, PRACTICE, "The same in a cut, which is short.")
    check_in_phase_ending_days: int = _t(7, "d", 1, 21, PRACTICE, "Days before a phase's planned end that do.")

    def changed(self, changes: Mapping[str, object]) -> "Policy":
        """A copy with some values changed.

        Parameters: `changes`, values by threshold name. Raises ValueError naming every fault when one is not allowed.
        """
        faults = validate(changes, self)
        if faults:
            raise ValueError("; ".join(fault.detail for fault in faults))
        whole = {f.name for f in fields(self) if f.type is int}
        new: dict[str, Any] = dict(changes)
        typed: dict[str, Any] = {name: int(v) if name in whole else float(v) for name, v in new.items()}
        return replace(self, **typed)

    def overlaid(self, changes: Mapping[str, object]) -> tuple["Policy", list[Fault]]:
        """A copy with those changes that are allowed on this policy, and what is wrong with the others.

        For changes that were allowed when they were made, on another policy. Of two values out of order the change's
        own is left out, the lower one when both are the change's; never raises.
        Parameters: `changes`, values by threshold name.
        """
        kept, left_out = dict(changes), list[Fault]()
        while faults := validate(kept, self):  # to leave out a value may bring another out of order
            left_out += faults
            for fault in faults:
                kept.pop(fault.name, None)
        return self.changed(kept), left_out

    def values(self) -> dict[str, float]:
        """All values by name, in the order of the table."""
        return asdict(self)


DEFAULT = Policy()

_ORDERED = (  # each row must not fall from left to right
    ("cut_min_days", "cut_plan_days", "cut_max_days"),
    ("cut_rate_fast_pct", "cut_rate_aim_pct", "cut_rate_slow_pct"),
    ("loss_ceiling_pct", "cut_rate_fast_pct"),
    ("deficit_cap_risk", "deficit_cap_refusal"),
    ("build_min_days", "build_plan_days"),
    ("build_rate_slow_pct", "build_rate_fast_pct"),
    ("maintain_min_days", "maintain_max_days"),
    ("energy_quiet_days", "diet_break_days"),  # a break is told by its length from other short maintenance
    ("energy_step_min_kcal", "energy_step_max_kcal"),
    ("strength_warn_probability", "strength_end_probability"),
    ("protein_min_g_per_kg", "protein_aim_g_per_kg"),
    ("cut_protein_aim_g_per_kg_ffm", "cut_protein_max_g_per_kg_ffm"),
    ("main_reps_low", "main_reps_high"),
    ("main_sets_low", "main_sets_high"),
    ("load_step_min_pct", "load_step_max_pct"),
    ("load_back_off_min_pct", "load_back_off_max_pct"),
    ("deload_min_weeks", "deload_max_weeks"),
)


def validate(changes: Mapping[str, object], base: Policy = DEFAULT) -> list[Fault]:
    """Every fault of a set of changes to a policy, none when they may be made.

    Parameters: `changes`, values by threshold name; `base`, the policy they would change.
    """
    known = {f.name: f for f in fields(Policy)}
    faults, good = [], base.values()
    for name, value in changes.items():
        if name not in known:
            faults.append(Fault(name, "unknown", f"There is no threshold called {name}."))
            continue
        low, high = known[name].metadata["range"]
        unit = known[name].metadata["unit"]
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
            faults.append(Fault(name, "not_a_number", f"{name} must be a number."))
        elif not low <= value <= high:
            faults.append(Fault(name, "out_of_range", f"{name} must be between {low:g} and {high:g} {unit}."))
        elif known[name].type is int and value != int(value):
            faults.append(Fault(name, "not_whole", f"{name} must be a whole number."))
        else:
            good[name] = value
    for row in _ORDERED:
        for left, right in pairwise(row):
            if good[left] > good[right] and {left, right} & set(changes):
                name = left if left in changes else right
                words = f"{left} ({good[left]:g}) must not be greater than {right} ({good[right]:g})."
                faults.append(Fault(name, "order", words, right if name == left else left))
    return faults


def describe() -> list[dict[str, Any]]:
    """Every threshold as a plain record: name, type, default, unit, range, source, description; in order."""
    return [
        {
            "name": f.name,
            "type": "integer" if f.type is int else "number",
            "default": f.default,
            "unit": f.metadata["unit"],
            "range": {"from": f.metadata["range"][0], "to": f.metadata["range"][1]},
            "source": f.metadata["source"],
            "description": f.metadata["description"],
        }
        for f in fields(Policy)
    ]
