"""Energy when little is known: no cut deeper than the body may need, and lean limits that act on what is probable."""

import pytest

from tests.api.conftest import Api, days_ago, faults

CLEARED = {
    "pregnant_or_breastfeeding": False,
    "eating_disorder_history": False,
    "kidney_disease": False,
    "heart_or_metabolic_disease": False,
    "glucose_lowering_medication": "none",
}

OF_A_MAN = {name: said for name, said in CLEARED.items() if name != "pregnant_or_breastfeeding"}


def _athlete(api: Api, **profile: object) -> str:
    made = api("POST", "/athletes", {"time_zone": "UTC", **profile})
    assert made.status_code == 201, made.text
    home = f"/athletes/{made.json()['id']}"
    answers = CLEARED if profile["sex"] == "female" else OF_A_MAN
    assert api("PUT", f"{home}/screening", answers).status_code in (200, 201)
    return home


def _insist(api: Api, path: str, body: dict[str, object]) -> int:
    """The status of a change whose every fault is acknowledged."""
    first = api("POST", path, body)
    codes = [fault["code"] for fault in first.json().get("errors", [])]
    return api("POST", path, {**body, "acknowledge": codes}).status_code if codes else first.status_code


def test_no_deficit_is_set_that_may_well_be_too_large(api: Api) -> None:
    """A woman of 62 kg, weighed once: equations say about 2000 kcal, give or take a fifth."""
    home = _athlete(api, external_id="ada", sex="female", birth_date="1995-04-01", height_cm=168, activity_factor=1.6)
    api("POST", f"{home}/weigh-ins", {"date": days_ago(0), "mass_kg": 62.0})
    maintenance = api("GET", f"{home}/estimates?from={days_ago(0)}&to={days_ago(0)}").json()["maintenance_kcal"][
        "mean"
    ][-1]
    quarter = {"from_date": days_ago(0), "energy_kcal": round(0.75 * maintenance)}
    asked = {fault["code"] for fault in api("POST", f"{home}/targets", quarter).json()["errors"]}
    assert "limit.deficit_possible" in asked  # a quarter less than the estimate may be a third less than she needs
    third = {"from_date": days_ago(0), "energy_kcal": round(0.62 * maintenance)}
    assert _insist(api, f"{home}/targets", third) == 422
    assert _insist(api, f"{home}/targets", {**third, "energy_kcal": round(0.9 * maintenance)}) == 201


@pytest.mark.parametrize(("readings", "action"), [((6.5, 6.4), "stop_deficit"), ((14.0, 13.5), None)])
def test_two_readings_below_the_floor_end_a_cut(api: Api, readings: tuple[float, float], action: str | None) -> None:
    home = _athlete(
        api, external_id=f"ben-{action}", sex="male", birth_date="1994-02-01", height_cm=178, activity_factor=1.7
    )
    for ago in range(30, -1, -1):
        api("POST", f"{home}/weigh-ins", {"date": days_ago(ago), "mass_kg": round(76.0 - 0.07 * (30 - ago), 1)})
    phase = {"kind": "cut", "starts_on": days_ago(20), "planned_end_on": days_ago(-14)}
    assert _insist(api, f"{home}/phases", phase) == 201
    for ago, pct in zip((10, 2), readings, strict=True):
        api("POST", f"{home}/measurements", {"date": days_ago(ago), "method": "skinfold", "body_fat_pct": pct})
    review = api("POST", f"{home}/reviews?dry_run=true", {"as_of": days_ago(0)}).json()
    found = {finding["code"]: finding for finding in review["findings"]}
    if action is None:
        assert "floor.body_fat" not in found
    else:
        assert review["recommendation"]["action"] == action
        assert "6.4 %" in found["floor.body_fat"]["statement"]


@pytest.mark.parametrize(
    ("birth_date", "medication", "code"),
    [("2011-04-01", "none", "safety.minor"), ("1990-04-01", "insulin", "safety.glucose_medication")],
)
def test_who_is_referred_is_told_of_no_lowest_target(api: Api, birth_date: str, medication: str, code: str) -> None:
    home = _athlete(api, external_id=code, sex="male", birth_date=birth_date, height_cm=178, activity_factor=1.6)
    api("POST", f"{home}/weigh-ins", {"date": days_ago(0), "mass_kg": 80.0})
    assert api("PUT", f"{home}/screening", {**OF_A_MAN, "glucose_lowering_medication": medication}).status_code == 200
    refused = api("POST", f"{home}/phases", {"kind": "cut", "starts_on": days_ago(0), "energy_kcal": 1550})
    assert refused.status_code == 422
    assert [fault["code"] for fault in refused.json()["errors"]] == [code]
    assert "lowest target allowed" not in refused.text


@pytest.mark.parametrize("weighed", [False, True], ids=["before the first weigh-in", "after it"])
def test_no_cap_waits_for_a_weigh_in(api: Api, weighed: bool) -> None:
    """A woman of 170 cm and, it turns out, 70.8 kg: Mifflin 1990 and her activity say some 2340 kcal, 70 % is 1640."""
    home = _athlete(
        api, external_id=f"eva-{weighed}", sex="female", birth_date="1995-04-01", height_cm=170, activity_factor=1.6
    )
    if weighed:
        assert api("POST", f"{home}/weigh-ins", {"date": days_ago(0), "mass_kg": 70.8}).status_code == 201
    cut = {"kind": "cut", "starts_on": days_ago(0), "planned_end_on": days_ago(-34)}
    refused = api("POST", f"{home}/phases", {**cut, "energy_kcal": 1250, "acknowledge": ["data.no_estimate"]})
    assert faults(refused) == {"/energy_kcal": "limit.deficit"}
    least = float(refused.json()["errors"][0]["detail"].split("deficit: ")[1].split(" kcal is the lowest")[0])
    assert least == pytest.approx(0.7 * 2340, abs=40)
    assert _insist(api, f"{home}/targets", {"from_date": days_ago(0), "energy_kcal": 1250}) == 422
    milder = api("POST", f"{home}/phases", {**cut, "energy_kcal": least + 50})
    assert "limit.deficit_possible" in {fault["code"] for fault in milder.json()["errors"]}
    assert _insist(api, f"{home}/phases", {**cut, "energy_kcal": least + 50}) == 201
