"""What is stored is on the attention list within a minute, and what answers a request takes it away as soon.

A real server with its clock on loopback; the bounds are those of the promise, not measurements.
"""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import httpx
import pytest

from tests.api.conftest import days_ago, today
from tests.api.in_a_cut import CLEAN, stalled
from tests.conftest import LiveServer, run_steelyard

WITHIN_S = 60
PERSON = {"sex": "male", "birth_date": "1990-05-02", "height_cm": 180, "time_zone": "UTC"}


class Coach:
    """A coach's client of a live server."""

    def __init__(self, server: LiveServer, key: str) -> None:
        headers = {"Authorization": f"Bearer {key}"}
        self.server = server
        self.http = httpx.Client(base_url=server.url + "/v1", headers=headers, timeout=60, trust_env=False)

    def send(self, method: str, path: str, body: Any = None, **options: Any) -> Any:
        answer = self.http.request(method, path, **({"json": body} if body is not None else {}), **options)
        assert answer.status_code < 300, (method, path, answer.status_code, answer.text)
        return answer.json() if answer.content else None

    def athlete(self, name: str, **more: Any) -> str:
        """The path of a new athlete."""
        return f"/athletes/{self.send('POST', '/athletes', {**PERSON, 'external_id': name, **more})['id']}"

    def load(self, lines: list[dict[str, Any]]) -> None:
        body = "\n".join(map(json.dumps, lines))
        headers = {"Content-Type": "application/x-ndjson", "Prefer": "wait=60"}
        done = self.send("POST", "/imports", content=body, headers=headers)
        assert (done["state"], done["faults"]) == ("done", []), done

    def move_clock(self, ago: int, hour: int = 12) -> None:
        self.send("POST", "/sandbox/clock", {"now": f"{days_ago(ago)}T{hour:02d}:00:00Z"})

    def reasons(self, name: str) -> dict[str, str]:
        """Why the athlete is on the list: severities by code."""
        items = self.send("GET", "/attention?limit=1000")["items"]
        mine = [item for item in items if item["external_id"] == name]
        return {reason["code"]: reason["severity"] for item in mine for reason in item["reasons"]}

    def wait(self, name: str, wanted: Callable[[dict[str, str]], bool]) -> dict[str, str]:
        """The reasons as soon as they are as wanted."""
        deadline = time.monotonic() + WITHIN_S
        while not wanted(reasons := self.reasons(name)):
            assert time.monotonic() < deadline, f"not within {WITHIN_S} s: {reasons}\n{self.server.log()[-3000:]}"
            time.sleep(0.5)
        return reasons


@contextmanager
def served(database_url: str, live_server: Callable[..., LiveServer], *more: str) -> Iterator[Coach]:
    printed = run_steelyard(database_url, "keys", "new", "--practice", "Saltings Strength", *more).stdout
    server = live_server(database_url, clock=True, settings={"STEELYARD_CHECK_TENANT_FILTER": "1"})
    coach = Coach(server, printed.strip().splitlines()[-1])
    with coach.http:
        yield coach
    assert "Traceback" not in server.log(), server.log()[-4000:]


@pytest.fixture
def coach(database_url: str, live_server: Callable[..., LiveServer]) -> Iterator[Coach]:
    with served(database_url, live_server) as coach:
        yield coach


@pytest.fixture
def coach_in_a_test(database_url: str, live_server: Callable[..., LiveServer]) -> Iterator[Coach]:
    """Of a test practice, whose clock can be moved."""
    with served(database_url, live_server, "--test") as coach:
        yield coach


def weighed(name: str, ago: range) -> list[dict[str, Any]]:
    """Weigh-ins and whole food days as lines of a file."""
    lines: list[dict[str, Any]] = []
    for back in ago:
        stamp = {"athlete": name, "date": days_ago(back)}
        lines.append({"type": "weigh_in", **stamp, "mass_kg": round(84.0 + 0.1 * (back % 3), 1)})
        lines.append({"type": "meal", **stamp, "energy_kcal": 2500, "protein_g": 150})
    return lines


def test_pain_and_chest_pain_are_there_within_a_minute_and_gone_when_taken_back(coach: Coach) -> None:
    home = coach.athlete("n-1")
    coach.send("PUT", f"{home}/screening", CLEAN)
    for body in ({"symptoms": ["chest_pain"]}, {"pain": [{"exercise": "back-squat", "level": 8}]}):
        note = coach.send("POST", f"{home}/wellbeing", {"date": str(today()), **body})
        reasons = coach.wait("n-1", lambda found: "stop" in found.values())
        assert all(code.startswith("safety.") for code, severity in reasons.items() if severity == "stop"), reasons
        coach.send("DELETE", f"{home}/wellbeing/{note['id']}")
        coach.wait("n-1", lambda found: "stop" not in found.values())


def test_a_clearance_answers_a_referral(coach: Coach) -> None:
    home = coach.athlete("n-1")
    coach.send("PUT", f"{home}/screening", {**CLEAN, "heart_or_metabolic_disease": True})
    coach.wait("n-1", lambda found: found.get("safety.heart_or_metabolic") == "stop")
    cleared = [{"for": scope, "on": days_ago(1), "by": "Dr A. Example"} for scope in ("deficit", "load")]
    coach.send(
        "PUT", f"{home}/screening", {**CLEAN, "heart_or_metabolic_disease": True, "clearances": cleared},
        headers={"If-Match": '"r1"'},
    )  # fmt: skip
    coach.wait("n-1", lambda found: "safety.heart_or_metabolic" not in found)


def test_a_weigh_in_answers_the_request_for_one(coach_in_a_test: Coach) -> None:
    """Five weeks of a test practice: the last weigh-in is six days old, the check and the week's review ask for one."""
    coach = coach_in_a_test
    coach.move_clock(40)
    home = coach.athlete("n-1")
    coach.send("PUT", f"{home}/screening", CLEAN)
    coach.move_clock(6)
    coach.load(weighed("n-1", range(39, 11, -1)))
    asked = coach.wait("n-1", lambda found: "check_in.no_weigh_in" in found)
    assert "screening.unanswered" not in asked
    coach.send("POST", f"{home}/weigh-ins", {"date": days_ago(6), "mass_kg": 84.0})
    left = coach.wait("n-1", lambda found: "check_in.no_weigh_in" not in found)
    assert "phase.none" in left, "what is still missing stays"


def test_a_doubted_entry_that_is_confirmed_is_no_request_any_more(coach: Coach) -> None:
    coach.load([{"type": "athlete", "external_id": "n-1", **PERSON}, *weighed("n-1", range(40, 0, -1))])
    (athlete,) = coach.send("GET", "/athletes?external_id=n-1")["items"]
    home = f"/athletes/{athlete['id']}"
    doubted = coach.send("POST", f"{home}/weigh-ins", {"date": str(today()), "mass_kg": 184.5})
    assert doubted["suspect"]
    coach.wait("n-1", lambda found: "data.suspect_entries" in found)
    coach.send("PATCH", f"{home}/weigh-ins/{doubted['id']}", {"mass_kg": 83.9})
    coach.wait("n-1", lambda found: "data.suspect_entries" not in found)


def test_nobody_is_asked_for_what_is_still_arriving(coach: Coach) -> None:
    """History in pieces, the oldest first, as an app sends it; a stop that stands in it is seen all the same."""
    home = coach.athlete("n-1")
    coach.send("PUT", f"{home}/screening", CLEAN)
    for first in range(90, 0, -30):
        entries = [{"date": days_ago(back), "mass_kg": 84.0} for back in range(first, first - 30, -1)]
        coach.send("POST", f"{home}/weigh-ins", entries)
        for _ in range(8):
            assert "check_in.no_weigh_in" not in coach.reasons("n-1")
            time.sleep(0.5)
    coach.send("POST", f"{home}/wellbeing", {"date": days_ago(3), "symptoms": ["fainting"]})
    reasons = coach.wait("n-1", lambda found: found.get("safety.symptoms") == "stop")
    assert not any(code.startswith("check_in.no_") for code in reasons), reasons


def test_who_pauses_is_left_alone_until_they_are_back(coach_in_a_test: Coach) -> None:
    """No review and no check of the weeks between; back again, the check comes at once and the review on its day."""
    coach = coach_in_a_test
    coach.move_clock(60)
    home = coach.athlete("n-1", review_weekday="monday")
    coach.send("PUT", f"{home}/screening", CLEAN)
    coach.send("POST", f"{home}/wellbeing", {"date": days_ago(60), "symptoms": ["fainting"]})
    coach.wait("n-1", lambda found: "stop" in found.values())
    paused = coach.send("PATCH", home, {"status": "paused"}, headers={"If-Match": "*"})
    assert paused["status"] == "paused" and coach.reasons("n-1") == {}
    assert coach.send("GET", "/athletes?status=active")["items"] == []
    for ago in (50, 40, 30):
        coach.move_clock(ago)
        coach.send("POST", f"{home}/weigh-ins", {"date": days_ago(ago), "mass_kg": 84.0})
    time.sleep(8)
    assert coach.send("GET", f"{home}/reviews")["items"] == [] and coach.reasons("n-1") == {}
    coach.send("PATCH", home, {"status": "active"}, headers={"If-Match": "*"})
    coach.wait("n-1", lambda found: found.get("safety.symptoms") == "stop")
    coach.move_clock(22)
    deadline = time.monotonic() + WITHIN_S
    while not (reviews := coach.send("GET", f"{home}/reviews")["items"]):
        assert time.monotonic() < deadline
        time.sleep(0.5)
    assert all(review["as_of"] >= days_ago(38) for review in reviews), reviews


def test_what_comes_next_is_what_the_review_recommends(coach: Coach) -> None:
    """A man in a cut that stalls: the list, the review and its decision name one energy, and nothing beside it."""
    client = Recorder(coach)
    man = stalled(client, "n-1")
    home = f"/athletes/{man['id']}"
    made = coach.send("POST", f"{home}/reviews", {"as_of": days_ago(1)})
    recommended = made["recommendation"]
    assert recommended["action"] == "change_energy"
    (item,) = coach.send("GET", "/attention")["items"]
    assert (item["action"], item["next"]) == ("change_energy", "Decide on the energy target.")
    overridden = {weaker["code"] for weaker in made["overridden"]}
    assert not overridden & {reason["code"] for reason in item["reasons"]}
    assert {f["severity"] for f in made["findings"] if f["code"] in overridden} <= {"info"}
    said = coach.send("POST", f"/reviews/{made['id']}/decision", {"decision": "accepted"})
    assert said["targets"]["energy_kcal"] == recommended["energy_kcal"]["to"]
    coach.wait("n-1", lambda found: not any(code.startswith(("rate.", "limit.")) for code in found))


class Recorder:
    """What `stalled` needs of a client, over a live server."""

    def __init__(self, coach: Coach) -> None:
        self.coach = coach

    def athlete(self, **fields: Any) -> dict[str, Any]:
        made: dict[str, Any] = self.coach.send("POST", "/athletes", {**PERSON, **fields})
        return made

    def __call__(self, method: str, path: str, body: Any) -> httpx.Response:
        return self.coach.http.request(method, path, json=body)

    def load(self, content: str) -> dict[str, Any]:
        headers = {"Content-Type": "application/x-ndjson", "Prefer": "wait=60"}
        done: dict[str, Any] = self.coach.send("POST", "/imports", content=content, headers=headers)
        return done
