"""The first day has an answer, and the first week none that it cannot have: three athletes from their first weigh-in.

A woman of 62 kg who starts a cut, a man of 95 kg in a build, and a man of 61 years with insulin and a sore back; all
over HTTP, in a test practice whose clock goes day by day.
"""

from collections.abc import Iterator
from typing import Any, NamedTuple

import pytest

from service.jobs.clock import tick
from service.store.types import now
from tests.api.conftest import Api, days_ago, faults
from tests.api.in_a_cut import CLEAN

BEGAN = 40  # days ago
WHOLE = {**CLEAN, "injury": "none", "regularly_active": True, "signs_or_symptoms": False, "cycle": "natural"}
OF_A_MAN = {name: said for name, said in WHOLE.items() if name not in ("pregnant_or_breastfeeding", "cycle")}
ACTIVITY_USUAL, WEIGHT_OF_THE_COACHS = 1.65, 0.8  # as the estimation judges an activity factor


class Person(NamedTuple):
    profile: dict[str, Any]
    answers: dict[str, Any]
    kind: str
    mass_kg: float
    age_y: float
    kg_a_day: float


ADA = Person(
    {"sex": "female", "birth_date": "1995-04-01", "height_cm": 168, "activity_factor": 1.6},
    WHOLE,
    "cut",
    62.0,
    31,
    -0.06,
)
BEN = Person(
    {"sex": "male", "birth_date": "1992-06-01", "height_cm": 186, "activity_factor": 1.7},
    OF_A_MAN,
    "build",
    95.0,
    34,
    0.05,
)
CARL = Person(
    {"sex": "male", "birth_date": "1965-03-01", "height_cm": 176, "activity_factor": 1.5, "experience": "novice"},
    {**OF_A_MAN, "glucose_lowering_medication": "insulin", "injury": ["low_back"]},
    "maintain",
    88.0,
    61,
    0.0,
)


def requirement_kcal(person: Person) -> float:
    """Mifflin and others 1990, doi 10.1093/ajcn/51.2.241, times the activity factor as it is judged."""
    who, last = person.profile, 5.0 if person.profile["sex"] == "male" else -161.0
    resting = 10.0 * person.mass_kg + 6.25 * who["height_cm"] - 5.0 * person.age_y + last
    said = who.get("activity_factor", ACTIVITY_USUAL)
    return resting * (WEIGHT_OF_THE_COACHS * said + (1.0 - WEIGHT_OF_THE_COACHS) * ACTIVITY_USUAL)


@pytest.fixture
def practice(api: Api) -> Iterator[Api]:
    """A practice whose clock stands at the first day."""
    practice = api.for_tests()
    practice.move_clock(BEGAN, hour=7)
    yield practice


def taken_on(practice: Api, person: Person, weighed: bool = True, **other: Any) -> str:
    """The path of an athlete who is screened, weighed once and in a phase that begins today without an energy."""
    home = f"/athletes/{practice.athlete(time_zone='UTC', **{**person.profile, **other})['id']}"
    assert practice("PUT", f"{home}/screening", person.answers).status_code == 200
    if weighed:
        weigh(practice, home, person, 0)
    begin(practice, home, person.kind, BEGAN)
    return home


def weigh(practice: Api, home: str, person: Person, day: int) -> None:
    sway_kg = (0.0, 0.3, -0.2, 0.1)[day % 4]
    said = {"date": days_ago(BEGAN - day), "mass_kg": round(person.mass_kg + person.kg_a_day * day + sway_kg, 1)}
    assert practice("POST", f"{home}/weigh-ins", said).status_code == 201


def begin(practice: Api, home: str, kind: str, ago: int, **more: Any) -> None:
    body = {"kind": kind, "starts_on": days_ago(ago), "planned_end_on": days_ago(ago - 34), **more}
    first = practice("POST", f"{home}/phases", body)
    if first.status_code == 422:
        against = sorted(codes(first))
        assert all(code.startswith(("data.", "screening.", "phase.")) for code in against), against
        first = practice("POST", f"{home}/phases", {**body, "acknowledge": against})
    assert first.status_code == 201, first.text


def review(practice: Api, home: str, day: int = 0, dry: bool = False) -> dict[str, Any]:
    path = f"{home}/reviews" + ("?dry_run=true" if dry else "")
    made = practice("POST", path, {"as_of": days_ago(BEGAN - day)})
    assert made.status_code in (200, 201), made.text
    answer: dict[str, Any] = made.json()
    return answer


def accept(practice: Api, made: dict[str, Any]) -> dict[str, Any]:
    said = practice("POST", f"/reviews/{made['id']}/decision", {"decision": "accepted"})
    assert said.status_code == 201, said.text
    answer: dict[str, Any] = said.json()
    return answer


def codes(answer: Any) -> set[str]:
    return {fault["code"] for fault in answer.json().get("errors", [])}


def found(made: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {finding["code"]: finding for finding in made["findings"]}


@pytest.mark.parametrize("person", [ADA, BEN, CARL], ids=["cut", "build", "insulin"])
def test_one_weigh_in_gives_targets_that_say_they_rest_on_equations(practice: Api, person: Person) -> None:
    home = taken_on(practice, person)
    made = review(practice, home)
    advised, said = made["recommendation"], found(made)["energy.unset"]
    kcal, maintenance = advised["energy_kcal"]["to"], made["estimates"]["maintenance_kcal"]
    assert maintenance["mean"] == pytest.approx(requirement_kcal(person), rel=0.02)
    assert maintenance["hi"] - maintenance["lo"] > 0.4 * maintenance["mean"]

    lo, hi = said["evidence"]["interval_kcal"]
    assert lo < 0.85 * kcal and hi > 1.15 * kcal
    assert said["severity"] == "advice" and f"{kcal:.0f} kcal fits (90 %: {lo:.0f} to {hi:.0f})" in said["statement"]
    assert "rests on equations from weight (average of 1 weigh-in), height, age, sex" in said["statement"]
    assert said["evidence"]["rests_on"] == "equations"

    asked = {"data.few_weigh_ins", "data.few_food_days"}
    assert {"energy.unset", *asked} <= set(advised["because"]), "data are asked for beside it, not instead"
    assert all(found(made)[code]["severity"] == "advice" for code in asked)
    assert not asked & {weaker["code"] for weaker in made["overridden"]}

    eat = advised["targets"]
    atwater = 4 * eat["protein_g"] + 4 * eat["carbohydrate_g"] + 9 * eat["fat_g"]
    assert atwater == pytest.approx(eat["energy_kcal"], rel=0.01)  # general Atwater factors 4, 4, 9 kcal/g
    assert eat["protein_g"] >= 1.6 * person.mass_kg - 5.0  # Morton 2018, doi 10.1136/bjsports-2017-097608
    assert sum(meal["energy_kcal"] for meal in eat["meals"]) == pytest.approx(kcal, abs=1)


def test_what_each_phase_starts_with(practice: Api) -> None:
    """A cut milder than a quarter while little is known, a build a little above, maintenance at what is eaten."""
    shares = {}
    for name, person in (("ada", ADA), ("ben", BEN), ("carl", CARL)):
        made = review(practice, taken_on(practice, person))
        shares[name] = made["recommendation"]["energy_kcal"]["to"] / made["estimates"]["maintenance_kcal"]["mean"]
    assert 0.75 < shares["ada"] < 0.9
    assert 1.0 < shares["ben"] <= 1.15 + 0.005  # Iraki 2019, doi 10.3390/sports7070154, and whole tens
    assert shares["carl"] == pytest.approx(1.0, abs=0.005)


def test_accepted_targets_make_menus(practice: Api) -> None:
    home = taken_on(practice, ADA)
    waiting = practice("POST", f"{home}/menus", {"days": 1})
    made = review(practice, home)
    kcal = made["recommendation"]["energy_kcal"]["to"]
    assert faults(waiting) == {"/targets": "missing"}
    assert f"{kcal:.0f} kcal fits; accept the review that sets it" in waiting.json()["detail"]
    assert accept(practice, made)["effective_on"] == days_ago(BEGAN - 1)
    today = practice("POST", f"{home}/menus", {"days": 1})
    assert faults(today) == {"/targets": "missing"} and "they begin on" in today.json()["detail"]
    menus = practice("POST", f"{home}/menus", {"from": days_ago(BEGAN - 1), "days": 2})
    assert menus.status_code == 200, menus.text
    for day in menus.json()["days"]:
        assert day["totals"]["energy_kcal"] == pytest.approx(kcal, rel=0.03)


def test_who_has_no_targets_is_on_the_list_until_they_are_accepted(practice: Api) -> None:
    home = taken_on(practice, ADA)
    practice.loop.run(tick(practice.database, now()))

    def asked() -> dict[str, str]:
        items = practice.all("/attention")
        return {reason["code"]: item["next"] for item in items for reason in item["reasons"]}

    assert asked()["check_in.no_targets"] == "Make a review: it sets the first targets."
    made = review(practice, home)
    listed = asked()
    assert "check_in.no_targets" not in listed and listed["energy.unset"] == "Decide on the energy target."
    accept(practice, made)
    assert practice("POST", f"{home}/meals", {"date": days_ago(BEGAN), "energy_kcal": 600}).status_code == 201
    assert not {"check_in.no_targets", "energy.unset"} & asked().keys()


def test_insulin_and_a_sore_back_are_referred_and_still_eat(practice: Api) -> None:
    home = taken_on(practice, CARL)
    made = review(practice, home)
    assert made["recommendation"]["action"] == "refer" and made["recommendation"]["phase"] is None
    assert made["recommendation"]["because"][:2] == ["safety.glucose_medication", "energy.unset"]
    assert {"safety.glucose_medication", "safety.restricted"} <= found(made).keys() and made["caution"]
    assert accept(practice, made)["effective_on"] == days_ago(BEGAN)
    menus = practice("POST", f"{home}/menus", {"days": 1})
    assert menus.status_code == 200 and any("referral list" in said for said in menus.json()["cautions"])
    body = {"kind": "cut", "starts_on": days_ago(BEGAN - 1)}
    assert "safety.glucose_medication" in codes(practice("POST", f"{home}/phases", body))


@pytest.mark.parametrize(
    ("answers", "action", "because"),
    [
        ({}, "collect_data", "screening.unanswered"),
        ({**WHOLE, "eating_disorder_history": True}, "refer", "safety.eating_disorder"),
    ],
)
def test_the_gate_stands_before_the_first_targets(
    practice: Api, answers: dict[str, Any], action: str, because: str
) -> None:
    """Asked of nobody, no deficit; with a history of an eating disorder nothing to eat is planned at all."""
    person = ADA._replace(answers=answers, kind="cut" if not answers else "maintain")
    home = taken_on(practice, person)
    advised = review(practice, home)["recommendation"]
    assert (advised["action"], advised["because"][0]) == (action, because)
    assert advised["energy_kcal"] == {"from": None, "to": None} and advised["targets"] is None
    assert practice("POST", f"{home}/menus", {"days": 1}).status_code == 422


def test_a_mass_that_may_be_pounds_sets_nothing(practice: Api) -> None:
    home = taken_on(practice, BEN._replace(mass_kg=172.0), weighed=False)
    for day in range(3):
        practice.move_clock(BEGAN - day, hour=8)
        weigh(practice, home, BEN._replace(mass_kg=172.0), day)
    made = review(practice, home, 2)
    assert made["recommendation"]["action"] == "collect_data"
    assert made["recommendation"]["because"][0] == "data.unit_unconfirmed"
    assert made["recommendation"]["energy_kcal"]["to"] is None
    (newest, *_) = practice.all(f"{home}/weigh-ins?from={days_ago(BEGAN - 2)}")
    practice("PATCH", f"{home}/weigh-ins/{newest['id']}", {"suspect": None})
    assert review(practice, home, 2)["recommendation"]["because"][0] == "energy.unset"


def test_what_is_missing_is_named(practice: Api) -> None:
    """Mass, screening and phase hold targets back; an activity factor only makes them surer."""
    bare = f"/athletes/{practice.athlete(time_zone='UTC', **{**ADA.profile, 'activity_factor': None})['id']}"
    asked = practice("POST", f"{bare}/menus", {"days": 1})
    missing = {"mass_kg", "screening", "phase", "activity_factor"}
    assert set(faults(asked)) == {"/targets", *(f"/athlete/{fact}" for fact in missing)}
    nothing = review(practice, bare, dry=True)
    assert "energy can be worked out from the first one on" in found(nothing)["data.no_weigh_in_lately"]["statement"]
    assert "data.few_weigh_ins" not in found(nothing), "said once"

    person = ADA._replace(profile={**ADA.profile, "activity_factor": None})
    home = taken_on(practice, person)
    said = found(review(practice, home, dry=True))["energy.unset"]["statement"]
    assert "usual activity (no factor is set)" in said
    body = faults(practice("POST", f"{home}/menus", {"days": 1}))
    assert body == {"/targets": "missing", "/athlete/activity_factor": "missing"}


def test_the_first_review_is_of_today_where_there_was_no_day_before(practice: Api) -> None:
    home = taken_on(practice, ADA)
    made = practice("POST", f"{home}/reviews?dry_run=true", {}).json()
    assert made["as_of"] == days_ago(BEGAN) and made["recommendation"]["action"] == "change_energy"
    practice.move_clock(BEGAN - 1, hour=8)
    assert practice("POST", f"{home}/reviews?dry_run=true", {}).json()["as_of"] == days_ago(BEGAN)


@pytest.mark.parametrize("person", [ADA, BEN, CARL], ids=["cut", "build", "insulin"])
def test_no_rate_is_judged_before_the_phase_is_a_week_old(practice: Api, person: Person) -> None:
    home = taken_on(practice, person)
    accept(practice, review(practice, home))
    averages = {}
    for day in range(1, 9):
        practice.move_clock(BEGAN - day, hour=8)
        weigh(practice, home, person, day)
        made = review(practice, home, day, dry=True)
        judged = [code for code in found(made) if code.startswith("rate.")]
        words = [finding["statement"] for finding in made["findings"]] + made["recommendation"]["would_change_if"]
        averages[day] = made["estimates"]["average_mass_of"]
        if day < 7:
            assert judged == [] and "energy.quiet_days" in found(made)
            assert not any("target range" in said or "% a week" in said for said in words), words
            assert made["recommendation"]["energy_kcal"]["from"] == made["recommendation"]["energy_kcal"]["to"]
        else:
            assert made["phase"]["day"] > 7 and len(judged) == 1, found(made).keys()
    assert [averages[day] for day in (1, 2, 3)] == ["average of 2 weigh-ins", "average of 3 weigh-ins", None]


def test_a_build_is_not_held_against_the_cut_before_it(practice: Api) -> None:
    """Three weeks of −1 % a week, then a build: its first week says nothing of the loss, the second follows gain."""
    person = BEN._replace(kind="cut", kg_a_day=-0.13)
    home = taken_on(practice, person)
    accept(practice, review(practice, home))
    for day in range(1, 29):
        practice.move_clock(BEGAN - day, hour=8)
        weigh(practice, home, person if day < 22 else person._replace(mass_kg=person.mass_kg - 6.0, kg_a_day=0.15), day)
        if day == 21:
            begin(practice, home, "build", BEGAN - 21, energy_kcal=3600)
        if day >= 21:
            made = review(practice, home, day, dry=True)
            judged = [code for code in found(made) if code.startswith(("rate.", "loss."))]
            assert made["phase"]["kind"] == "build" and (judged == [] if day < 28 else judged), (day, judged)


def test_a_coach_may_know_more_than_equations_within_bounds(practice: Api) -> None:
    """A man of 76 kg: what may be too large a deficit needs a word, what probably is stays refused."""
    man = {"sex": "male", "birth_date": "1990-05-02", "height_cm": 180, "activity_factor": 1.65}
    home = taken_on(practice, Person(man, OF_A_MAN, "cut", 76.0, 36, 0.0))
    least = review(practice, home)["recommendation"]["energy_kcal"]["to"]
    data = ["data.few_weigh_ins", "data.few_food_days"]
    said = {"from_date": days_ago(BEGAN), "acknowledge": data}

    answers = {}
    for kcal in range(int(least) - 600, int(least) + 10, 10):
        answers[kcal] = codes(practice("POST", f"{home}/targets?dry_run=true", {**said, "energy_kcal": kcal}))
    refused = [kcal for kcal, against in answers.items() if against == {"limit.deficit"}]
    warned = [kcal for kcal, against in answers.items() if against == {"limit.deficit_possible"}]
    free = [kcal for kcal, against in answers.items() if not against]
    assert refused and len(warned) > 10 and free
    assert max(refused) < min(warned) <= max(warned) < min(free), "one after the other, none in between"
    assert min(free) <= least, "what the service proposes needs no word"

    deep = {**said, "energy_kcal": warned[0]}
    acknowledged = {**deep, "acknowledge": [*data, "limit.deficit_possible"]}
    begun = {"kind": "cut", "starts_on": days_ago(BEGAN - 1), "energy_kcal": warned[0]}
    assert "limit.deficit_possible" in codes(practice("POST", f"{home}/phases", begun))
    assert practice("POST", f"{home}/targets", acknowledged).status_code == 201
    worse = {**acknowledged, "from_date": days_ago(BEGAN - 1), "energy_kcal": refused[0]}
    assert faults(practice("POST", f"{home}/targets", worse)) == {"/energy_kcal": "limit.deficit"}
