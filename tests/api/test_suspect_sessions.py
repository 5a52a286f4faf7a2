"""A mistyped load or repetition is kept, doubted with a best guess, and neither measured nor prescribed back."""

from typing import Any

import pytest

from service.store.tables import SessionLift
from tests.api.conftest import Api, days_ago, faults

SQUAT = "back-squat"
YESTERDAY = days_ago(1)


@pytest.fixture
def lifter(api: Api) -> str:
    """A woman of 62 kg with eight sessions of back squats, 60 kg × 8."""
    home = f"/athletes/{api.athlete(sex='female', height_cm=165)['id']}"
    api("POST", f"{home}/weigh-ins", [{"date": days_ago(day), "mass_kg": 62.0} for day in range(1, 29, 2)])
    sessions = [{"date": days_ago(day), "sets": _sets(60.0)} for day in range(3, 27, 3)]
    assert api("POST", f"{home}/training-sessions", sessions).status_code == 201
    return home


def _sets(*loads: float, reps: int = 8, exercise: str = SQUAT) -> list[dict[str, Any]]:
    return [{"exercise": exercise, "load_kg": load, "reps": reps} for load in loads * (3 if len(loads) == 1 else 1)]


def _log(api: Api, home: str, sets: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    made = api("POST", f"{home}/training-sessions", {"date": YESTERDAY, "sets": sets, **more})
    assert made.status_code == 201, made.text
    return made.json()


def _next(api: Api, home: str) -> dict[str, Any]:
    return api("GET", f"{home}/prescriptions").json()["items"][0]


def _maximum(api: Api, home: str) -> float:
    found = api("GET", f"{home}/estimates?from={YESTERDAY}&to={YESTERDAY}").json()["strength"]
    return found[SQUAT]["one_rep_max_kg"]["mean"][-1]


@pytest.mark.parametrize(
    ("sets", "reason", "guess", "pointers"),
    [
        (_sets(132.0), "pounds_for_kilograms", {"best_guess_kg": 59.87}, ["/sets/0", "/sets/1", "/sets/2"]),
        (_sets(600.0), "slipped_decimal", {"best_guess_kg": 60.0}, ["/sets/0", "/sets/1", "/sets/2"]),
        (_sets(62.5, 625.0, 62.5), "slipped_decimal", {"best_guess_kg": 62.5}, ["/sets/1"]),
        (_sets(900.0, reps=50), "implausible_load", {}, ["/sets/0", "/sets/1", "/sets/2"]),
        (_sets(60.0, reps=80), "implausible_reps", {"best_guess_reps": 8}, ["/sets/0", "/sets/1", "/sets/2"]),
    ],
)
def test_a_mistyped_set_is_not_prescribed_back(
    api: Api, lifter: str, sets: list[dict[str, Any]], reason: str, guess: dict[str, float], pointers: list[str]
) -> None:
    before, maximum = _next(api, lifter), _maximum(api, lifter)
    assert (before["load_kg"], before["rule"]) == (60.0, "hold")
    doubted = _log(api, lifter, sets)
    suspect = doubted["suspect"]
    assert suspect["reason"] == reason and suspect["best_guess_kg"] == guess.get("best_guess_kg")
    nothing = {"best_guess_kg": None, "best_guess_reps": None}
    assert suspect["sets"] == [
        {"pointer": pointer, "exercise": SQUAT, "reason": reason, **nothing, **guess} for pointer in pointers
    ]
    after = _next(api, lifter)
    assert after == {**before, "why": after["why"]}
    assert "suspect session" in after["why"] and "suspect session" not in before["why"]
    assert _maximum(api, lifter) == pytest.approx(maximum, rel=0.01)
    assert [one["id"] for one in api.all(f"{lifter}/training-sessions?suspect=true")] == [doubted["id"]]


def test_a_confirmed_session_counts_and_a_mended_one_too(api: Api, lifter: str) -> None:
    doubted = _log(api, lifter, _sets(100.0))
    assert doubted["suspect"]["reason"] == "implausible_load"
    path = f"{lifter}/training-sessions/{doubted['id']}"
    confirmed = api("PATCH", path, {"suspect": None}).json()
    assert confirmed["suspect"] is None and confirmed["sets"][0]["load_kg"] == 100.0
    assert _measured(api, lifter)[YESTERDAY] > 100.0
    assert api("PATCH", path, {"note": "new belt"}).json()["suspect"] is None
    mended = api("PATCH", path, {"sets": _sets(61.0)}).json()
    assert mended["suspect"] is None and _measured(api, lifter)[YESTERDAY] < 100.0
    assert "doubted" not in _next(api, lifter)["why"]
    assert api("PATCH", path, {"sets": _sets(610.0)}).json()["suspect"]["reason"] == "slipped_decimal"
    assert faults(api("PATCH", path, {"suspect": {"reason": "mine"}})) == {"/suspect": "none_required"}


def _measured(api: Api, home: str) -> dict[str, float]:
    rows = api.rows(SessionLift, athlete_id=home.split("/")[-1])
    return {str(row["date"]): row["intercept_kg"] for row in rows}


def test_sets_and_pain_of_a_doubted_session_count(api: Api, lifter: str) -> None:
    """It was trained, and it hurt: only what it measured is in doubt."""
    week = api("GET", f"{lifter}/volume?from={YESTERDAY}&to={YESTERDAY}").json()["weeks"][-1]["muscles"]
    sets = [{**one, "pain": 7} for one in _sets(600.0)]
    assert _log(api, lifter, sets)["suspect"] is not None
    assert _measured(api, lifter)[YESTERDAY] == 0.0
    after = api("GET", f"{lifter}/volume?from={YESTERDAY}&to={YESTERDAY}").json()["weeks"][-1]["muscles"]
    assert sum(one["sets"] for one in after) > sum(one["sets"] for one in week)
    _log(api, lifter, [{**one, "pain": 7} for one in _sets(60.0)], date=days_ago(2))
    assert _next(api, lifter)["rule"] == "stop"


def test_the_gate_holds_to_the_last_load_that_is_not_doubted(api: Api, lifter: str) -> None:
    assert api("PUT", f"{lifter}/screening", {"heart_or_metabolic_disease": True}).status_code == 200
    _log(api, lifter, _sets(600.0))
    assert _next(api, lifter)["load_kg"] == 60.0


def test_doubts_follow_from_the_sessions_that_are_there(api: Api, lifter: str) -> None:
    """Earlier sessions that come late, or go, change the verdict on later ones."""
    doubted = _log(api, lifter, _sets(100.0))
    assert doubted["suspect"] is not None
    path = f"{lifter}/training-sessions"
    strong = _log(api, lifter, _sets(80.0), date=days_ago(2))
    assert strong["suspect"] is None
    assert next(one for one in api.all(path) if one["id"] == doubted["id"])["suspect"] is None
    assert _measured(api, lifter)[YESTERDAY] > 100.0
    api("DELETE", f"{path}/{strong['id']}")
    assert next(one for one in api.all(path) if one["id"] == doubted["id"])["suspect"] is not None
    assert _measured(api, lifter)[YESTERDAY] == 0.0


def test_a_first_session_is_doubted_only_beyond_records(api: Api) -> None:
    home = f"/athletes/{api.athlete()['id']}"
    assert _log(api, home, _sets(900.0, reps=50))["suspect"]["reason"] == "implausible_load"
    assert _log(api, home, _sets(132.0), date=days_ago(2))["suspect"] is None
    assert _next(api, home)["load_kg"] < 140.0
