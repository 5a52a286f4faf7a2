"""Stories of doubted weigh-ins over HTTP: none locks out the true ones, all are named, whatever came first."""

import itertools
import random
from typing import Any

import pytest

from service.store.tables import AthleteDay
from tests.api.conftest import Api, days_ago

Weighed = list[tuple[int, dict[str, Any]]]  # days ago, what was said


@pytest.fixture(params=["in order", "backwards", "at once"])
def send(api: Api, request: pytest.FixtureRequest) -> Any:
    """A man of 180 cm, his path, and his weigh-ins sent so."""

    def sent(weighed: Weighed) -> tuple[str, dict[int, Any]]:
        home = f"/athletes/{api.athlete(sex='male', height_cm=180)['id']}"
        bodies = [{"date": days_ago(day), "ref": f"w-{number}", **said} for number, (day, said) in enumerate(weighed)]
        if request.param == "at once":
            api("POST", f"{home}/weigh-ins", bodies)
        else:
            for body in bodies if request.param == "in order" else reversed(bodies):
                api("POST", f"{home}/weigh-ins", body)
        return home, {number: one for one in api.all(f"{home}/weigh-ins") for number in [int(one["ref"][2:])]}

    return sent


def reasons(found: dict[int, Any]) -> list[str | None]:
    return [found[number]["suspect"] and found[number]["suspect"]["reason"] for number in sorted(found)]


def review(api: Api, home: str, query: str = "") -> dict[str, Any]:
    made = api("POST", f"{home}/reviews{query}", {"as_of": days_ago(1)})
    assert made.is_success, made.text
    return made.json()


def statements(made: dict[str, Any]) -> dict[str, str]:
    return {finding["code"]: finding["statement"] for finding in made["findings"]}


def attention(api: Api, home: str) -> dict[str, Any]:
    return next(item for item in api.all("/attention") if item["athlete_id"] == home.rpartition("/")[2])


def test_a_wrong_first_weigh_in_locks_out_no_true_one(api: Api, send: Any) -> None:
    said: Weighed = [(9, {"mass_lb": 82})] + [(day, {"mass_kg": 82 + day / 10}) for day in range(8, 0, -1)]
    home, found = send(said)
    assert reasons(found) == ["kilograms_for_pounds"] + [None] * 8
    assert found[0]["suspect"]["best_guess_kg"] == 82
    made = review(api, home)
    assert "safety.bmi_low" not in statements(made)
    assert statements(made)["data.suspect_entries"] == (
        "1 weigh-in looks like kilograms entered as pounds (last 28 days): please confirm or correct."
    )
    assert api("PATCH", f"{home}/weigh-ins/{found[0]['id']}", {"mass_kg": 82}).json()["suspect"] is None
    assert "data.suspect_entries" not in statements(review(api, home, "?dry_run=true"))


def test_both_units_on_one_day(api: Api, send: Any) -> None:
    home, found = send([(1, {"mass_kg": 82}), (1, {"mass_lb": 82})])
    assert reasons(found) == [None, "kilograms_for_pounds"]
    (day,) = api.rows(AthleteDay, athlete_id=home.rpartition("/")[2])
    assert day["mass_kg"] == 82


def test_a_change_over_a_pause_is_believed(api: Api, send: Any) -> None:
    after = (76.6, 76.9, 77.3, 76.7, 77.0, 76.8, 77.2, 76.6)
    _, found = send(
        [(day, {"mass_kg": 82.0}) for day in (24, 23, 22)] + [(9 - i, {"mass_kg": m}) for i, m in enumerate(after)]
    )
    assert reasons(found) == [None] * 11


def test_twelve_in_pounds_are_named_before_no_weigh_in(api: Api, send: Any) -> None:
    earlier: Weighed = [(40, {"mass_kg": 82})]
    home, found = send(earlier + [(day, {"mass_kg": 180 + day / 10}) for day in range(12, 0, -1)])
    assert reasons(found) == [None] + ["pounds_for_kilograms"] * 12
    made = review(api, home)
    said = statements(made)
    assert said["data.suspect_entries"] == "12 weigh-ins look like pounds (last 28 days): please confirm or correct."
    codes = [code for code in said if code.startswith("data.")]
    assert codes[0] == "data.suspect_entries" and "data.no_weigh_in_lately" in codes
    seen = attention(api, home)
    named = [reason["code"] for reason in seen["reasons"]]
    assert named.index("data.suspect_entries") < named.index("data.no_weigh_in_lately")
    for one in list(found.values())[1:]:
        api("PATCH", f"{home}/weigh-ins/{one['id']}", {"mass_lb": one["mass_kg"]})
    assert reasons({int(one["ref"][2:]): one for one in api.all(f"{home}/weigh-ins")}) == [None] * 13
    assert (
        not {"data.suspect_entries", "data.no_weigh_in_lately"} & statements(review(api, home, "?dry_run=true")).keys()
    )


def test_one_confirmed_is_enough_for_a_heavy_man(api: Api, send: Any) -> None:
    home, found = send([(day, {"mass_kg": 160 + day / 10}) for day in (12, 1)])
    assert reasons(found) == ["pounds_for_kilograms"] * 2
    confirmed = api("PATCH", f"{home}/weigh-ins/{found[1]['id']}", {"suspect": None})
    assert confirmed.status_code == 200
    assert api.all(f"{home}/weigh-ins?suspect=true") == []


def test_three_that_agree_are_enough_too_and_one_question_is_asked(api: Api, send: Any) -> None:
    home, found = send([(day, {"mass_kg": 160 + day / 10}) for day in range(12, 0, -1)])
    assert reasons(found) == [None] * 12
    said = statements(review(api, home))
    assert "data.suspect_entries" not in said
    assert said["data.unit_unconfirmed"] == (
        "160.1 kg may have been weighed in pounds (that would be 72.6 kg): confirm one weigh-in, or correct them."
        " Energy stays as it is until then."
    )
    assert api("PATCH", f"{home}/weigh-ins/{found[7]['id']}", {"suspect": None}).status_code == 200
    assert "data.unit_unconfirmed" not in statements(review(api, home, "?dry_run=true"))


def test_confirming_a_true_one_puts_the_wrong_first_one_in_doubt_and_reviews_of_its_day_are_stale(api: Api) -> None:
    home = f"/athletes/{api.athlete(sex='male', height_cm=180)['id']}"
    first = api("POST", f"{home}/weigh-ins", {"date": days_ago(5), "mass_lb": 95}).json()
    assert first["suspect"] is None  # a body mass index of 13.3 is possible
    made = api("POST", f"{home}/reviews", {"as_of": days_ago(4)}).json()
    true = api("POST", f"{home}/weigh-ins", {"date": days_ago(3), "mass_kg": 95}).json()
    assert true["suspect"]["reason"] == "pounds_for_kilograms"
    assert api("GET", f"/reviews/{made['id']}").json()["stale"] is False
    api("PATCH", f"{home}/weigh-ins/{true['id']}", {"suspect": None})
    later = api("POST", f"{home}/weigh-ins", {"date": days_ago(2), "mass_kg": 95.2}).json()
    assert later["suspect"] is None
    (doubted,) = api.all(f"{home}/weigh-ins?suspect=true")
    assert (doubted["id"], doubted["suspect"]["reason"]) == (first["id"], "kilograms_for_pounds")
    assert api("GET", f"/reviews/{made['id']}").json()["stale"] is True


def test_years_of_weigh_ins_are_judged_alike_in_any_order(api: Api) -> None:
    """Entries that come one by one are judged from a settled point on, those of an import all at once."""
    chance = random.Random(5)
    said: list[dict[str, Any]] = []
    for number, day in enumerate(range(150, 0, -1)):
        mass_kg = (82 if day > 60 else 74) + chance.uniform(-1, 1)
        wrong = chance.choice([180.8, 37.2, 92.0]) if chance.random() < 0.1 else mass_kg
        said.append({"date": days_ago(day), "mass_kg": round(wrong, 1), "ref": f"w-{number}"})
    doubts = []
    for order in range(3):
        home = f"/athletes/{api.athlete(sex='male', height_cm=180)['id']}"
        if order:
            chance.shuffle(said)
        late = [] if order == 0 else said[-12:]
        api("POST", f"{home}/weigh-ins", said[: len(said) - len(late)])
        for body in late:
            api("POST", f"{home}/weigh-ins", body)
        doubts.append({one["ref"]: one["suspect"] for one in api.all(f"{home}/weigh-ins?limit=1000")})
    assert sum(doubt is not None for doubt in doubts[0].values()) > 5
    assert all(one == other for one, other in itertools.pairwise(doubts))
