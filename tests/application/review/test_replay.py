"""Replays: what was known then, two policies on the same evidence, false alarms against what is known now."""

import itertools
from collections import Counter
from collections.abc import Mapping
from dataclasses import fields, replace
from datetime import date, timedelta
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from service.application import schedule
from service.application.evidence.athlete_evidence import evidence_of
from service.application.evidence.estimates import RosterEstimates, estimate_roster
from service.application.evidence.notes import NoteRows, notes_on
from service.application.evidence.roster import Roster
from service.application.evidence.rows import LiftHistory
from service.application.review.replay import RATE_ALARMS, Course, replay_roster, summary
from service.domain.policy import DEFAULT
from service.domain.records import Athletes, DailyLog
from service.domain.rules.arbiter import decide
from tests.lift_histories import lift_history, until
from tests.simulated.coached_year import CLEARED, Spreadsheet, Year, begin, roster_of

ATHLETES, WEEKS = 7, 26
EAGER = DEFAULT.changed({"energy_change_probability": 0.5, "not_in_deficit_probability": 0.5, "energy_quiet_days": 3})
POLICIES = {"default": DEFAULT, "eager": EAGER}


@pytest.fixture(scope="module")
def known() -> Roster:
    """Half a year of seven simulated athletes, coached by a spreadsheet; the first ones also train, one weakening."""
    year, coach = begin(ATHLETES, seed=9), Spreadsheet()
    for _ in range(WEEKS):
        coach(year)
        year.live_a_week()
    return _roster(year)


def _roster(year: Year) -> Roster:
    world = year.simulation.world()
    who = Athletes(**{f.name: getattr(world.profile, f.name) for f in fields(Athletes)})
    log = DailyLog(**{f.name: getattr(world.log, f.name) for f in fields(DailyLog)})
    roster = roster_of(year, who, log)
    for i, athlete in enumerate(roster.athletes):
        athlete.review_weekday = schedule.WEEKDAYS[i]
    return replace(roster, lifts=_trained(roster), plans=_plans(roster))


CURLS = ("barbell-curl", "hammer-curl", "leg-press", "leg-curl", "back-squat", "bench-press")
SMALL_LIFTS = ("barbell-curl", "hammer-curl", "leg-curl", "leg-extension", "lateral-raise", "face-pull")
TRAINED = {  # by athlete: first day, length and kilograms lost a week of each lift
    0: {"back-squat": (0, 182, 1.5), "leg-press": (3, 182, 1.0), "romanian-deadlift": (100, 60, 0.5)},
    1: {"romanian-deadlift": (0, 182, 1.5), "barbell-row": (20, 182, 1.0), "leg-press": (10, 182, 1.2)},
    2: {"romanian-deadlift": (0, 80, 0.2), "pull-up": (50, 90, 0.0), "leg-press": (120, 60, 0.1)},
    3: {name: (8 * i, 182, 0.3 * i) for i, name in enumerate(CURLS)},
    5: {name: (8 * i, 182, 0.0) for i, name in enumerate(SMALL_LIFTS)},
}
NAMED = {1: [(90, ["leg-press", "romanian-deadlift"]), (140, ["barbell-row"])], 2: [(100, ["leg-press"])]}


def _trained(roster: Roster) -> dict[int, dict[str, LiftHistory]]:
    """Sessions every third day: stand-ins before a main lift, lifts that a later plan names, drops or begins."""
    rng, lifts = np.random.default_rng(4), {}

    def maximum_kg(name: str, days: int, lost_kg: float) -> float:
        return float((20.0 if name == "pull-up" else 120.0) * rng.normal(1, 0.02) - lost_kg * days / 7)

    for who, trained in TRAINED.items():
        lifts[who] = {
            name: lift_history(
                SimpleNamespace(
                    date=roster.first + timedelta(days=day), body_mass_coefficient=float(name == "pull-up"),
                    intercept_kg=maximum_kg(name, day - start, lost_kg),
                    log_sd=0.022, curve_exposure=0.22,
                )
                for day in range(start, min(start + length, len(roster.log.days)), 3)
            )
            for name, (start, length, lost_kg) in trained.items()
        }  # fmt: skip
    return lifts


def _plans(roster: Roster) -> dict[int, list[Any]]:
    return {
        who: [
            SimpleNamespace(
                from_date=roster.first + timedelta(days=day),
                days=[{"exercises": [{"exercise": name, "main": True} for name in names]}],
            )
            for day, names in plans
        ]
        for who, plans in NAMED.items()
    }


def _notes(roster: Roster, reviews: Mapping[int, Any] | None = None) -> NoteRows:
    answers = {athlete.id: [SimpleNamespace(answers=CLEARED)] for athlete in roster.athletes}
    return NoteRows(answers, reviews=reviews or {})


@pytest.fixture(scope="module")
def first(known: Roster) -> date:
    return known.to - timedelta(days=130)


@pytest.fixture(scope="module")
def courses(known: Roster, first: date) -> dict[str, list[Course]]:
    return replay_roster(known, _notes(known), POLICIES, first)


def test_every_athlete_has_a_week_on_each_of_their_review_days(
    known: Roster, first: date, courses: dict[str, list[Course]]
) -> None:
    for i, athlete in enumerate(known.athletes):
        days = [first + timedelta(days=n) for n in range((known.to - first).days + 1)]
        due = [day for day in days if schedule.WEEKDAYS[(day + timedelta(days=1)).weekday()] == athlete.review_weekday]
        for found in courses.values():
            assert [week["as_of"] for week in found[i].weeks] == [str(day) for day in due]


def test_each_week_uses_only_what_was_known_on_its_day(known: Roster, courses: dict[str, list[Course]]) -> None:
    """The first week of each course, once more from a log that ends on that day."""
    for i, athlete in enumerate(known.athletes):
        week = courses["default"][i].weeks[0]
        then = _until(known, date.fromisoformat(week["as_of"]))
        evidence = evidence_of(
            then, estimate_roster(then, main_lifts_only=True), notes_on(_notes(then), athlete.id, then.to), i, then.to
        )
        decision = decide(evidence, DEFAULT)
        assert [finding.code for finding in decision.findings] == week["codes"], athlete.id
        energy = {"from": decision.recommendation.energy_from_kcal, "to": decision.recommendation.energy_to_kcal}
        assert (decision.recommendation.action.value, energy) == (week["action"], week["energy_kcal"])


def _until(known: Roster, to: date) -> Roster:
    days = known.day(to) + 1
    log = DailyLog(**{f.name: getattr(known.log, f.name)[..., :days] for f in fields(DailyLog)})
    return replace(
        known,
        to=to,
        log=log,
        protein_g=known.protein_g[:, :days],
        sessions=known.sessions[:, :days],
        phases={who: [row for row in rows if row.starts_on <= to] for who, rows in known.phases.items()},
        targets={who: [row for row in rows if row.from_date <= to] for who, rows in known.targets.items()},
        lifts={
            who: {name: until(lift, to) for name, lift in lifts.items() if lift.days[0] <= np.datetime64(to)}
            for who, lifts in known.lifts.items()
        },
        plans={who: [row for row in rows if row.from_date <= to] for who, rows in known.plans.items()},
    )


BEFORE_AND_AFTER = (89, 99, 120, 139)  # a main lift after stand-ins, and each change of plan


@pytest.mark.parametrize("main_lifts_only", [True, False])
def test_strength_as_known_is_the_same_with_and_without_what_came_later(known: Roster, main_lifts_only: bool) -> None:
    """Lift by lift, pooled, and which lifts count as main: every day to the last bit; other lifts too."""
    whole = estimate_roster(known, main_lifts_only=main_lifts_only)
    for day in BEFORE_AND_AFTER:
        then = estimate_roster(_until(known, known.first + timedelta(days=day)), main_lifts_only=main_lifts_only)
        for part in ("probability_lost", "probability_rising"):
            pooled = (getattr(found.strength.pooled, part)[:, : day + 1] for found in (whole, then))
            np.testing.assert_array_equal(*pooled, err_msg=f"{day} {part}")
        for who in TRAINED:
            assert _by_lift(then, who, day) == _by_lift(whole, who, day), (day, who)


def test_fewer_days_asked_for_change_no_strength_of_theirs(known: Roster) -> None:
    whole = estimate_roster(known, main_lifts_only=True)
    for day in (89, 181):
        asked = estimate_roster(known, main_lifts_only=True, on=[known.first + timedelta(days=day)])
        assert all(_on(asked, who, day) == _on(whole, who, day) for who in TRAINED)


def _by_lift(found: RosterEstimates, who: int, to: int) -> dict[str, tuple[bytes, ...]]:
    """Of every lift that is known by a day: its estimates and whether it is a main one, day by day."""
    lifts = found.strength.lifts
    arrays = (lifts.one_rep_max_kg.mean, lifts.one_rep_max_kg.sd, lifts.probability_lost, found.main)
    return {
        name: tuple(array[who, place, : to + 1].tobytes() for array in arrays)
        for place, name in enumerate(found.lift_names[who])
        if np.isfinite(arrays[0][who, place, : to + 1]).any()
    }


def _on(found: RosterEstimates, who: int, day: int) -> list[Any]:
    lifts = found.strength.lifts
    arrays = (lifts.one_rep_max_kg.mean, lifts.one_rep_max_kg.sd, lifts.probability_lost, found.main)
    pooled = found.strength.pooled.probability_lost[who, day]
    return [found.lift_names[who], pooled.tobytes(), *(array[who, :, day].tobytes() for array in arrays)]


def test_which_lifts_stand_for_strength_on_a_day(known: Roster) -> None:
    found = estimate_roster(known, main_lifts_only=True)

    def main(who: int, day: int) -> set[str]:
        return {name for place, name in enumerate(found.lift_names[who]) if found.main[who, place, day]}

    assert main(0, 1) == main(0, 99) == {"back-squat"}  # of its pattern as regular as the leg press, and there first
    assert main(0, 100) == {"back-squat", "romanian-deadlift"}  # one of each pattern that is trained
    assert main(1, 89) == {"romanian-deadlift", "barbell-row", "leg-press"}
    assert main(1, 90) == {"romanian-deadlift", "leg-press"} and main(1, 140) == {"barbell-row"}  # as plans say
    assert main(2, 110) == {"romanian-deadlift", "pull-up"}  # the new plan's lift has not been trained yet
    assert main(2, 120) == {"leg-press"}
    assert main(3, 15) == {"barbell-curl", "hammer-curl"}  # stand in
    assert main(3, 16) == {"leg-press"} and main(3, 181) == {"leg-press", "bench-press"}
    assert main(5, 181) == set(SMALL_LIFTS[:5])  # no more than five stand in
    assert main(4, 181) == set()


def test_what_came_later_changes_no_week_of_a_replay(known: Roster, courses: dict[str, list[Course]]) -> None:
    """Neither sessions nor plans nor lifts nor phases; and what strength does to the weeks is seen in them."""
    codes: Counter[str] = Counter()
    for day in (99, 119, 150):
        then = _until(known, known.first + timedelta(days=day))
        short = replay_roster(then, _notes(then), POLICIES, known.to - timedelta(days=130))
        for name, found in short.items():
            for course, longer in zip(found, courses[name], strict=True):
                assert course.weeks == longer.weeks[: len(course.weeks)]
                codes.update(code for week in course.weeks for code in week["codes"])
    assert any(code.startswith("strength.") for code in codes), codes


def test_false_alarms_are_those_that_later_knowledge_puts_inside_the_band(
    known: Roster, courses: dict[str, list[Course]]
) -> None:
    later = estimate_roster(known, main_lifts_only=True, revised=True).body.tissue_rate_pct_per_week.mean
    band = {"cut": (-1.0, -0.5), "maintain": (-0.25, 0.25)}
    build = [(0.25, 1.0 if athlete.experience == "novice" else 0.5) for athlete in known.athletes]  # Iraki 2019
    seen: Counter[str] = Counter()
    for found in courses.values():
        for i, course in enumerate(found):
            alarms = [week for week in course.weeks if set(week["because"]) & set(RATE_ALARMS)]
            rates = [later[i, known.day(date.fromisoformat(week["as_of"]))] for week in alarms]
            bands = [{**band, "build": build[i]}[week["phase"]] for week in alarms]
            inside = [low <= rate <= high for (low, high), rate in zip(bands, rates, strict=True)]
            assert (course.alarms, course.false_alarms) == (len(alarms), sum(inside))
            seen["alarms"] += len(alarms)
            seen["false"] += sum(inside)
    assert seen["alarms"] > seen["false"] > 0, seen  # the test saw both kinds


def test_an_eager_policy_changes_course_more_often_and_cries_wolf_more_often(
    courses: dict[str, list[Course]],
) -> None:
    calm, eager = (summary(courses[name]) for name in POLICIES)
    assert calm["athletes"] == eager["athletes"] == ATHLETES and calm["weeks"] == eager["weeks"]
    assert eager["energy_changes"] > calm["energy_changes"]
    assert eager["rate_alarms"] > calm["rate_alarms"] and eager["false_alarms"] >= calm["false_alarms"]


def test_policies_do_not_disturb_each_other_and_findings_of_stored_reviews_are_not_looked_at(
    known: Roster, first: date, courses: dict[str, list[Course]]
) -> None:
    codes = ("strength.lost_surely", "wellbeing.strain", "energy.at_limit")
    body = {
        "findings": [{"code": code, "severity": "advice"} for code in codes],
        "recommendation": {"action": "hold"},
        "estimates": {},
    }
    stored = {
        i: [SimpleNamespace(as_of=known.to - timedelta(days=7 * n), document=body, state="open") for n in range(1, 12)]
        for i in range(ATHLETES)
    }
    alone = replay_roster(known, _notes(known, stored), {"eager": EAGER}, first)
    assert [course.weeks for course in alone["eager"]] == [course.weeks for course in courses["eager"]]


def test_each_policy_has_its_own_margins_of_what_counts(
    known: Roster, first: date, courses: dict[str, list[Course]]
) -> None:
    """Who counts a deficit only from 15 % on sees fewer of them; the others' course stays what it was alone."""
    strict = DEFAULT.changed({"no_deficit_pct": 15.0, "strength_loss_pct": 3.0})
    both = replay_roster(known, _notes(known), {"default": DEFAULT, "strict": strict}, first)
    assert [course.weeks for course in both["default"]] == [course.weeks for course in courses["default"]]

    def told(name: str) -> int:
        return sum("rate.not_in_deficit" in week["codes"] for course in both[name] for week in course.weeks)

    assert told("strict") > told("default")


def test_reversals_and_shares_of_a_summary_by_hand() -> None:
    back_and_forth = Course(
        weeks=[{}] * 4,
        actions=Counter(hold=2, change_energy=2),
        energy_changes=[(date(2026, 1, 5), -100.0), (date(2026, 1, 26), 80.0)],
        reversals=1,
        alarms=3,
        false_alarms=1,
    )
    quiet = Course(weeks=[{}] * 4, actions=Counter(hold=4))
    assert summary([back_and_forth, quiet]) == {
        "athletes": 2,
        "weeks": 8,
        "actions": {"change_energy": 2, "hold": 6},
        "energy_changes": 2,
        "reversals_within_3_weeks": 1,
        "rate_alarms": 3,
        "false_alarms": 1,
        "false_alarm_share": 0.333,
    }
    assert summary([])["false_alarm_share"] is None


def test_a_change_that_the_policy_made_counts_as_made(courses: dict[str, list[Course]]) -> None:
    for course in [*courses["default"], *courses["eager"]]:
        made = [
            week
            for week in course.weeks
            if week["action"] == "change_energy"
            and not week["because"][0].startswith("limit.")  # these wait for nothing
        ]
        for before, after in pairwise(made):
            days = (date.fromisoformat(after["as_of"]) - date.fromisoformat(before["as_of"])).days
            assert days >= 10 or before["phase"] != after["phase"]


def test_a_reversal_is_a_change_the_other_way_within_three_weeks(courses: dict[str, list[Course]]) -> None:
    turns = 0
    for course in [*courses["default"], *courses["eager"]]:
        made = course.energy_changes
        by_hand = sum(
            np.sign(before) != np.sign(after) and (then - on).days <= 21
            for (on, before), (then, after) in itertools.pairwise(made)
        )
        assert course.reversals == by_hand
        turns += len(made)
    assert turns > 0
