"""Adherence and logging need over HTTP: what was logged comes back as fasts, windows, weeks; gaps stay gaps."""

from typing import Any

import pytest

from tests.api.conftest import Api, days_ago, faults

TARGETS = {"energy_kcal": 2000, "protein_g": 140, "eating_window": {"from": "12:00", "to": "20:00"}}


def meal(day: str, clock: str, kcal: float = 1000, protein: float = 70, offset: str = "+00:00") -> dict[str, Any]:
    return {"at": f"{day}T{clock}:00{offset}", "energy_kcal": kcal, "protein_g": protein}


@pytest.fixture
def home(api: Api) -> str:
    return f"/athletes/{api.athlete(time_zone='Africa/Abidjan')['id']}"  # UTC the whole year


def days(api: Api, home: str, first: str, last: str) -> list[dict[str, Any]]:
    answer = api("GET", f"{home}/adherence?from={first}&to={last}")
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.json()["days"]
    return found


def test_a_week_against_its_targets(api: Api, home: str) -> None:
    replaced_by = {"from_date": "2026-03-16", "energy_kcal": 2600}  # of a history nobody is asked about any more
    assert api("POST", f"{home}/targets", replaced_by).status_code == 201
    assert api("POST", f"{home}/targets", {"from_date": "2026-03-02", **TARGETS}).status_code == 201
    logged = [
        meal("2026-03-02", "12:00"), meal("2026-03-02", "20:00"), meal("2026-03-03", "12:30"),
        meal("2026-03-03", "21:00", 900, 50), meal("2026-03-06", "12:00", 600, 40),
        meal("2026-03-07", "19:00", 2400, 120),
    ]  # fmt: skip
    assert api("POST", f"{home}/meals", logged).status_code == 201
    for day, state in (("2026-03-02", "complete"), ("2026-03-04", "fast"), ("2026-03-06", "partial")):
        assert api("PUT", f"{home}/food-days/{day}", {"state": state}).status_code == 200
    answer = api("GET", f"{home}/adherence?from=2026-03-02&to=2026-03-08").json()
    mon, tue, wed, thu, fri, sat, sun = answer["days"]
    assert (mon["state"], mon["energy_pct"], mon["energy_kept"], mon["protein_kept"]) == ("complete", 100.0, True, True)
    assert (mon["window_h"], mon["window_allowed_h"], mon["window_kept"], mon["fast_h"]) == (8.0, 8.0, True, None)
    assert (tue["state"], tue["fast_h"], tue["window_h"], tue["window_kept"]) == ("unknown", 16.5, 8.5, False)
    assert tue["protein_spread"] == pytest.approx(16.7) and tue["protein_kept"] is False
    assert (wed["state"], wed["energy_kcal"], wed["fast_h"]) == ("fast", 0.0, None)  # a fast is not a gap
    assert (thu["state"], thu["energy_kcal"], thu["fast_h"]) == ("not_logged", None, None)  # and a gap is not a fast
    assert (fri["state"], fri["energy_kcal"], fri["energy_pct"], fri["window_h"]) == ("partial", 600.0, None, None)
    assert sat["fast_h"] is None and sat["energy_kept"] is False and sun["state"] == "not_logged"
    week = answer["weeks"][0]
    assert (week["week"], week["days_known"], week["days_complete"], week["days_missing"]) == ("2026-W10", 4, 2, 2)
    assert (week["fasts_known"], week["fast_h"], week["windows_kept"], week["windows_known"]) == (1, 16.5, 2, 3)
    assert week["energy_kcal"] == pytest.approx((2000 + 1900 + 0 + 2400) / 4)


def test_a_declared_fast_is_gone_across(api: Api, home: str) -> None:
    api("POST", f"{home}/meals", [meal("2026-03-02", "19:00"), meal("2026-03-04", "13:00")])
    assert days(api, home, "2026-03-04", "2026-03-04")[0]["fast_h"] is None
    api("PUT", f"{home}/food-days/2026-03-03", {"state": "fast"})
    assert days(api, home, "2026-03-04", "2026-03-04")[0]["fast_h"] == 42.0


def test_the_night_the_clocks_change_and_a_flight(api: Api) -> None:
    home = f"/athletes/{api.athlete(time_zone='Europe/Berlin')['id']}"
    night = [meal("2026-03-28", "20:00", offset="+01:00"), meal("2026-03-29", "12:00", offset="+02:00")]
    api("POST", f"{home}/meals", night)
    assert days(api, home, "2026-03-29", "2026-03-29")[0]["fast_h"] == 15.0
    version = api("GET", home).headers["etag"]
    assert api("PATCH", home, {"time_zone": "Asia/Tokyo"}, headers={"if-match": version}).status_code == 200
    api("POST", f"{home}/meals", [meal("2026-03-30", "19:00", offset="+09:00")])
    landed = days(api, home, "2026-03-30", "2026-03-30")[0]
    assert landed["fast_h"] == 24.0 and landed["first_meal_at"] == "2026-03-30T19:00:00+09:00"


def test_a_bite_after_midnight(api: Api, home: str) -> None:
    api(
        "POST",
        f"{home}/meals",
        [meal("2026-03-02", "13:00"), meal("2026-03-03", "00:30", 200, 5), meal("2026-03-03", "14:00")],
    )
    first, second = days(api, home, "2026-03-02", "2026-03-03")
    assert first["window_h"] == 11.5 and second["fast_h"] == 13.5


def test_doubted_meals_are_left_out(api: Api, home: str) -> None:
    api("POST", f"{home}/meals", [meal("2026-03-02", "13:00"), meal("2026-03-02", "18:00", 29_000)])
    day = days(api, home, "2026-03-02", "2026-03-02")[0]
    assert day["state"] == "partial" and day["energy_kcal"] == 1000.0 and day["energy_pct"] is None


def test_a_span_has_limits(api: Api, home: str) -> None:
    assert faults(api("GET", f"{home}/adherence?from=2026-03-02&to=2026-03-01")) == {"from": "bad_span"}
    assert faults(api("GET", f"{home}/adherence?from=2024-01-01&to=2026-03-01")) == {"from": "bad_span"}
    assert faults(api("GET", f"{home}/adherence?from=soon")).keys() == {"from"}
    assert len(api("GET", f"{home}/adherence").json()["days"]) == 28


def test_logging_may_get_sparse_for_a_regular_eater_and_not_for_a_stranger_to_the_scale(api: Api) -> None:
    athlete = api.athlete(sex="male", height_cm=180, activity_factor=1.6)
    home = f"/athletes/{athlete['id']}"
    new = api("GET", f"{home}/logging-need").json()
    assert new["complete_days_per_week"] == 7 and new["risk_kcal"] == 0.0 and new["because"]
    lines = [
        f'{{"type":"{kind}","athlete":"{athlete["external_id"]}","date":"{days_ago(day)}",{content}}}'
        for day in range(1, 61)
        for kind, content in (
            ("weigh_in", f'"mass_kg":{80 + 0.2 * (day % 3 - 1)}'),
            ("meal", f'"energy_kcal":{2500 + 40 * (day % 5 - 2)},"protein_g":150'),
            ("food_day", '"state":"complete"'),
        )
    ]
    assert api.load("\n".join(lines))["lines_faulty"] == 0
    need = api("GET", f"{home}/logging-need").json()
    assert 1 <= need["complete_days_per_week"] < 7 and need["because"] == ["maintenance.known"]
    assert 0 < need["risk_kcal"] < 100 and str(need["complete_days_per_week"]) in need["statement"]
    past = api("GET", f"{home}/logging-need?as_of={days_ago(57)}").json()
    assert past["complete_days_per_week"] == 7 and past["because"][0] == "maintenance.wide"


def test_strangers_and_lesser_keys(api: Api, home: str) -> None:
    for path in ("adherence", "logging-need"):
        assert api.stranger()("GET", f"{home}/{path}").status_code == 404
        assert api.key_of("coaching:read")("GET", f"{home}/{path}").status_code == 403
