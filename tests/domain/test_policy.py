"""The policy is a table: complete, in range, sourced; changes are checked all at once."""

from dataclasses import FrozenInstanceError, fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.application.evidence.athlete_evidence import REVIEWS_REMEMBERED
from service.domain.policy import DEFAULT, Policy, describe, validate

# The service's default policy as agreed for it, beside the published values it rests on (methods: Helms 2014, Garthe
# 2011, Iraki 2019, Morton 2018, Alpert 2005 from memory, the school wrestling rule, NHLBI 1998 from memory).
AGREED = {
    "cut_min_days": 28, "cut_max_days": 42, "cut_rate_slow_pct": -0.5, "cut_rate_fast_pct": -1.0,
    "cut_rate_aim_pct": -0.7, "cut_deficit_max_pct": 25, "cut_deficit_max_kcal_per_kg_fat": 69,
    "build_min_days": 28, "build_surplus_max_pct": 15, "build_rate_slow_pct": 0.25, "build_rate_fast_pct": 0.5,
    "build_novice_factor": 2, "maintain_min_days": 28, "maintain_max_days": 42, "maintain_return_steps": 1,
    "maintain_rate_pct": 0.25, "goal_probability": 0.5, "goal_measurements": 2, "energy_change_probability": 0.8,
    "energy_change_min_interval_days": 10, "energy_quiet_days": 7, "energy_step_min_kcal": 50,
    "energy_step_max_kcal": 250, "energy_step_max_pct": 10, "strength_loss_pct": 5, "strength_warn_probability": 0.5,
    "strength_end_probability": 0.8, "strength_end_reviews": 2, "rising_probability": 0.6, "plateau_weeks": 3,
    "protein_min_g_per_kg": 1.6, "cut_protein_aim_g_per_kg_ffm": 2.6, "cut_protein_max_g_per_kg_ffm": 3.1,
    "protein_spread_pct": 20, "fat_aim_g_per_kg": 0.9, "fat_min_g_per_kg": 0.6, "meals_per_day": 3,
    "fibre_g_per_1000_kcal": 14, "maintenance_interval_pct": 10, "main_reps_low": 6,
    "main_reps_high": 10, "main_sets_low": 3, "main_sets_high": 4, "load_step_min_pct": 2, "load_step_max_pct": 10,
    "load_misses": 2, "load_back_off_min_pct": 5, "load_back_off_max_pct": 10, "deload_min_weeks": 4,
    "deload_max_weeks": 8, "body_fat_floor_male_pct": 7, "body_fat_floor_female_pct": 12, "bmi_floor": 18.5,
    "energy_floor_male_kcal": 1500, "energy_floor_female_kcal": 1200, "energy_availability_flag": 30,
    "loss_ceiling_pct": -1.5, "loss_ceiling_after_day": 14, "adult_age_y": 18, "menses_missing_months": 3,
    "pain_level": 5, "pain_times": 2, "check_in_no_weigh_in_days": 3, "check_in_no_food_days": 2,
    "measurement_every_days": 28, "cut_measurement_every_days": 21, "check_in_phase_ending_days": 7,
}  # fmt: skip


def test_defaults_are_the_agreed_ones():
    assert {name: getattr(DEFAULT, name) for name in AGREED} == AGREED


def test_every_threshold_is_described_sourced_and_inside_its_own_range():
    rows = describe()
    assert [row["name"] for row in rows] == [f.name for f in fields(Policy)]
    for row in rows:
        assert row["range"]["from"] <= row["default"] <= row["range"]["to"], row
        assert row["source"] and row["unit"] and row["description"].rstrip(",").strip(), row
        assert row["type"] == ("integer" if isinstance(row["default"], int) and _is_int(row["name"]) else "number")
    assert validate(DEFAULT.values()) == []


def _is_int(name: str) -> bool:
    return next(f.type for f in fields(Policy) if f.name == name) is int


def test_safety_limits_cannot_be_loosened_beyond_the_default():
    rows = {row["name"]: row for row in describe()}
    for name in (
        "bmi_floor",
        "body_fat_floor_female_pct",
        "energy_floor_male_kcal",
        "energy_floor_female_kcal",
        "adult_age_y",
    ):
        assert rows[name]["range"]["from"] == rows[name]["default"], name
    for name in ("menses_missing_months", "pain_level", "pain_times", "loss_ceiling_after_day"):
        assert rows[name]["range"]["to"] == rows[name]["default"], name
    assert rows["loss_ceiling_pct"]["range"]["from"] == -1.5


def test_all_faults_are_named_at_once():
    faults = validate(
        {
            "cut_max_days": 20,
            "colour": 1,
            "bmi_floor": 15,
            "meals_per_day": 2.5,
            "pain_level": "much",
            "pain_times": True,
        }
    )
    assert [(f.name, f.code) for f in faults] == [
        ("colour", "unknown"),
        ("bmi_floor", "out_of_range"),
        ("meals_per_day", "not_whole"),
        ("pain_level", "not_a_number"),
        ("pain_times", "not_a_number"),
        ("cut_max_days", "order"),
    ]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), None, "3", [3]])
def test_no_number_no_change(value):
    assert [f.name for f in validate({"cut_max_days": value})] == ["cut_max_days"]


def test_order_is_checked_against_the_policy_that_is_changed():
    slow = DEFAULT.changed({"cut_rate_slow_pct": -0.3})
    assert validate({"cut_rate_aim_pct": -0.4}, slow) == []
    assert [f.code for f in validate({"cut_rate_aim_pct": -0.4})] == ["order"]


def test_a_break_is_never_shorter_than_the_quiet_days_it_is_told_by():
    assert [(f.name, f.code, f.against) for f in validate({"energy_quiet_days": 10, "diet_break_days": 9})] == [
        ("energy_quiet_days", "order", "diet_break_days")
    ]
    assert validate({"energy_quiet_days": 9, "diet_break_days": 9}) == []


def test_every_plateau_that_may_be_asked_for_can_be_found_in_the_reviews_remembered():
    longest = next(row["range"]["to"] for row in describe() if row["name"] == "plateau_weeks")
    assert longest == REVIEWS_REMEMBERED + 1  # this review and those before


def test_what_no_longer_goes_with_the_policy_below_is_left_out_and_the_rest_holds():
    below = DEFAULT.changed({"cut_min_days": 35, "cut_plan_days": 40})
    changes = {"cut_plan_days": 30, "meals_per_day": 3, "no_longer_known": 1, "plateau_weeks": 8}
    laid, left_out = below.overlaid(changes)
    assert laid == below.changed({"meals_per_day": 3})
    assert [(f.name, f.code) for f in left_out] == [
        ("no_longer_known", "unknown"), ("plateau_weeks", "out_of_range"), ("cut_plan_days", "order"),
    ]  # fmt: skip


def test_to_leave_one_out_may_bring_another_out_of_order():
    below = DEFAULT.changed({"cut_min_days": 35, "cut_plan_days": 40, "cut_max_days": 60})
    laid, left_out = below.overlaid({"cut_plan_days": 30, "cut_max_days": 36, "meals_per_day": 3})
    assert laid == below.changed({"meals_per_day": 3})  # the longest went with the plan of 30 days, not with 40
    assert [(f.name, f.against) for f in left_out] == [
        ("cut_plan_days", "cut_min_days"), ("cut_max_days", "cut_plan_days"),
    ]  # fmt: skip


def test_a_policy_is_frozen_and_changes_make_a_copy():
    changed = DEFAULT.changed({"cut_max_days": 49.0, "bmi_floor": 20})
    assert (changed.cut_max_days, changed.bmi_floor, DEFAULT.cut_max_days) == (49, 20.0, 42)
    assert isinstance(changed.cut_max_days, int)
    with pytest.raises(ValueError, match="bmi_floor"):
        DEFAULT.changed({"bmi_floor": 10})
    with pytest.raises(FrozenInstanceError):
        changed.bmi_floor = 19.0  # type: ignore[misc]


@given(st.dictionaries(st.sampled_from([f.name for f in fields(Policy)]), st.floats(-5000, 5000), max_size=4))
def test_what_validates_can_be_applied_and_stays_in_range(changes):
    if validate(changes):
        with pytest.raises(ValueError):
            DEFAULT.changed(changes)
    else:
        assert validate(DEFAULT.changed(changes).values()) == []


@given(
    st.dictionaries(st.sampled_from([f.name for f in fields(Policy)]), st.floats(-5000, 5000), max_size=4),
    st.dictionaries(st.sampled_from(["cut_min_days", "cut_plan_days", "cut_max_days"]), st.integers(7, 90)),
    st.dictionaries(st.sampled_from(["cut_min_days", "cut_plan_days", "cut_max_days"]), st.integers(7, 90)),
)
def test_whatever_is_stored_can_be_laid_on_whatever_is_below(wild, below, above):
    base = DEFAULT.overlaid(below)[0]
    laid, left_out = base.overlaid(wild | above)
    assert validate(laid.values()) == []
    kept = {name: value for name, value in (wild | above).items() if name not in {f.name for f in left_out}}
    assert laid == base.changed(kept)
