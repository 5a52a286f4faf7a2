"""The demo practice: import lines that the service takes, in order, adding up, in situations that differ."""

import json
from collections import Counter, defaultdict
from datetime import date, timedelta
from itertools import islice

import numpy as np
import pytest

from service.api.import_lines import Line, read_lines
from service.api.import_order import Record
from service.demo.lifters import LIFTS, train
from service.demo.lines import Enrolment, world_lines
from service.demo.records import BUILD, CUT, MAINTAIN
from service.demo.roster import demo_practice, demo_roster, demo_screening, external_id, screening_lines
from service.demo.scenarios import SCENARIOS
from service.demo.world import simulate

LAST_DAY = date(2026, 3, 1)
DAYS = 182
FORM = {
    "athlete": {"external_id", "sex", "birth_date", "height_cm", "time_zone"},
    "phase": {"athlete", "kind", "starts_on", "planned_end_on", "energy_kcal"},
    "weigh_in": {"athlete", "date", "mass_kg"},
    "meal": {"athlete", "date", "slot", "energy_kcal", "protein_g"},
    "food_day": {"athlete", "date", "state"},
    "measurement": {"athlete", "date", "body_fat_pct", "method"},
    "training_session": {"athlete", "date", "sets"},
    "wellbeing": {"athlete", "date", "menstruation"},
}


@pytest.fixture(scope="module")
def lines():
    return list(demo_roster(12, DAYS, LAST_DAY, seed=7))


@pytest.fixture(scope="module")
def practice():
    return demo_practice(12, DAYS, LAST_DAY, seed=7)


def test_same_seed_same_roster(lines):
    assert lines == list(demo_roster(12, DAYS, LAST_DAY, seed=7))
    assert lines != list(demo_roster(12, DAYS, LAST_DAY, seed=8))


def test_every_line_has_the_import_form(lines):
    assert set(FORM) == {line["type"] for line in lines}
    assert [line for line in lines if not FORM[line["type"]] <= line.keys()] == []
    assert json.loads(json.dumps(lines)) == lines  # plain numbers only


def taken(lines):
    """What the service reads in lines of a file."""
    return read_lines((Record(number, json.dumps(line).encode()) for number, line in enumerate(lines, 1)), None, None)


def test_the_service_reads_every_line(lines):
    read = taken([*lines, *screening_lines(12)])
    assert [line for line in read if not isinstance(line, Line)] == []
    assert len(read) == len(lines) + 11


def test_lines_of_a_drawn_world_are_read_too():
    """Coaches who change targets, athletes who log no carbohydrate."""
    world = simulate(25, 84, seed=2)
    enrolments = [Enrolment(f"w-{i}", first_day=3 if i == 0 else 0) for i in range(25)]
    read = taken(world_lines(world, train(world, 2), enrolments, np.random.default_rng(1)))
    assert [line for line in read if not isinstance(line, Line)] == []
    kinds = Counter(line.kind for line in read)
    assert kinds["targets"] > 3
    dates = [line.body.date for line in read if line.athlete == "w-0" and hasattr(line.body, "date")]
    assert dates and min(dates) >= world.log.days[3].item()


def test_athletes_first_then_days_in_order(lines):
    kinds = [line["type"] for line in lines]
    assert kinds[:12] == ["athlete"] * 12 and "athlete" not in kinds[12:]
    assert [line["external_id"] for line in lines[:12]] == [f"n-{i:03d}" for i in range(1, 13)]
    dates = defaultdict(list)
    for line in lines[12:]:
        dates[line["athlete"]].append(line.get("date") or line["starts_on"])
    for when in dates.values():
        assert when == sorted(when)
        assert when[-1] <= str(LAST_DAY)
    assert max(max(when) for when in dates.values()) == str(LAST_DAY)
    assert dates["n-010"][0] == str(LAST_DAY - timedelta(days=18))  # joined late
    assert dates["n-001"][0] == str(LAST_DAY - timedelta(days=DAYS - 1))


def test_a_day_has_one_weigh_in_and_no_food_when_it_was_a_fast(lines):
    one_a_day = Counter((x["athlete"], x["date"], x["type"]) for x in lines if x["type"] in ("weigh_in", "food_day"))
    assert max(one_a_day.values()) == 1
    fasts = {(x["athlete"], x["date"]) for x in lines if x["type"] == "food_day" and x["state"] == "fast"}
    assert not fasts & {(x["athlete"], x["date"]) for x in lines if x["type"] == "meal"}


def test_meals_add_up_to_the_day(lines, practice):
    """Sums of the lines equal the log; Atwater 4/4/9 kcal/g equals the energy (FAO Food and Nutrition Paper 77)."""
    log = practice.world.log
    total, atwater, slots = Counter(), Counter(), defaultdict(list)
    for meal in (line for line in lines if line["type"] == "meal"):
        key = (meal["athlete"], meal["date"])
        total[key] += meal["energy_kcal"]
        slots[key].append(meal["slot"])
        if "fat_g" in meal:
            atwater[key] += 4 * meal["protein_g"] + 4 * meal["carbohydrate_g"] + 9 * meal["fat_g"]
            assert min(meal["protein_g"], meal["carbohydrate_g"], meal["fat_g"]) >= 0
    for (name, day), energy in total.items():
        logged = log.intake_kcal[int(name[2:]) - 1, (np.datetime64(day) - log.days[0]).astype(int)]
        assert energy == logged
    assert all(abs(energy - total[key]) < 6 for key, energy in atwater.items())
    assert all(1 <= len(found) <= 3 and found == list(range(1, len(found) + 1)) for found in slots.values())


def test_phases_follow_each_other_without_gap(lines):
    phases = defaultdict(list)
    for line in lines:
        if line["type"] == "phase":
            phases[line["athlete"]].append(line)
    for own in phases.values():
        for one, following in zip(own, islice(own, 1, None), strict=False):
            assert date.fromisoformat(following["starts_on"]) - date.fromisoformat(one["planned_end_on"]) == timedelta(
                1
            )
    assert phases["n-004"][-1]["planned_end_on"] == str(LAST_DAY)  # the last day of a cut


def test_training_sets_take_the_load_field_of_their_lift(lines):
    sets = [item for line in lines if line["type"] == "training_session" for item in line["sets"]]
    assert {item["exercise"] for item in sets} == {*LIFTS, "plank", "farmers-carry"}
    assert all("seconds" in item and "reps" not in item for item in sets if item["exercise"] == "plank")
    assert all("distance_m" in item and "reps" not in item for item in sets if item["exercise"] == "farmers-carry")
    for item in (item for item in sets if item["exercise"] in LIFTS):
        fields = item.keys() & {"load_kg", "added_kg", "assistance_kg"}
        if item["exercise"] == "pull-up":
            assert "load_kg" not in fields and len(fields) <= 1
        else:
            assert fields == {"load_kg"}
        assert all(item[name] > 0 and item[name] % 2.5 == 0 for name in fields)


def test_situations_differ_as_told_whatever_the_seed():
    """The stories, read from the truth: median over seeds, so that none rests on one lucky draw."""
    rate, held, kinds, logged = [], [], None, []
    for seed in range(9):
        practice = demo_practice(12, DAYS, LAST_DAY, seed)
        mass = practice.world.truth.tissue_mass_kg
        rate.append(100 * (mass[:, -1] / mass[:, -22] - 1) / 3)
        one_rep = practice.training.one_rep_max_kg
        held.append([100 * (one_rep[i, -1] / one_rep[i, -s.day] - 1).mean() for i, s in enumerate(practice.scenarios)])
        logged.append(np.isfinite(practice.world.log.mass_kg[:, -28:]).sum(axis=1))
        kinds = practice.world.log.phase[:, -1]
    rate, held, logged = np.median(rate, axis=0), np.median(held, axis=0), np.median(logged, axis=0)
    by_name = {s.name: i for i, s in enumerate(practice.scenarios)}
    assert set(kinds) == {BUILD, CUT, MAINTAIN}
    assert rate[by_name["Matteo"]] < -1.05  # too fast
    assert abs(rate[by_name["Oona"]]) < 0.2  # stalled
    assert -1.0 < rate[by_name["Rafael"]] < -0.5 and held[by_name["Rafael"]] > -1  # on plan
    assert logged[by_name["Dylan"]] < 8 < logged[by_name["Matteo"]]  # few data
    assert rate[by_name["Amara"]] > 0.1 and held[by_name["Amara"]] > 2  # rising
    assert abs(rate[by_name["Henrik"]]) < 0.15
    assert abs(held[by_name["Yuki"]]) < 1.5 < 0.15 * 14  # levelled off
    assert held[by_name["Celeste"]] < -4
    assert rate[by_name["Bram"]] > -0.3  # given up


MEDICAL = (
    "pregnant_or_breastfeeding", "eating_disorder_history", "kidney_disease", "heart_or_metabolic_disease",
    "glucose_lowering_medication",
)  # fmt: skip


def test_screening_answers():
    answers = demo_screening(12)
    assert set(answers) == {f"n-{i:03d}" for i in range(1, 13)} - {"n-010"}
    clear = {"none", False}
    referred = [name for name, body in answers.items() if any(v not in clear for k, v in body.items() if k in MEDICAL)]
    assert referred == ["n-012"]
    women = {external_id(i) for i, scenario in enumerate(SCENARIOS) if not scenario.male}
    assert {name for name, body in answers.items() if "cycle" in body} == women - {"n-010"}
    logging = {line["athlete"] for line in demo_roster(12, 60, LAST_DAY, seed=7) if line["type"] == "wellbeing"}
    assert logging and {answers[name]["cycle"] for name in logging} == {"natural"}


def test_more_athletes_than_stories_and_shorter_logs():
    lines = list(demo_roster(14, 20, LAST_DAY, seed=1))
    names = [line["name"] for line in lines[:14]]
    assert len(set(names)) == 14
    assert {line.get("date", line.get("starts_on")) >= "2026-02-10" for line in lines[14:]} == {True}
    assert len(list(demo_roster(3, 5, LAST_DAY, seed=1))) > 3
