"""Who may see and change what: every route of the app, walked by its own table, with keys that must not pass."""

import json
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi import FastAPI

from service.auth import SCOPES
from service.store.tables import Athlete, EntryRevision
from tests.api.conftest import ATHLETE, Api, days_ago, faults

Route = tuple[str, str]
YESTERDAY = days_ago(1)
ENTRIES: dict[str, dict[str, Any]] = {
    "weigh-ins": {"date": YESTERDAY, "mass_kg": 64.2},
    "meals": {"date": YESTERDAY, "energy_kcal": 700},
    "training-sessions": {"date": YESTERDAY, "sets": [{"exercise": "pull-up", "reps": 5}]},
    "measurements": {"date": YESTERDAY, "method": "scan", "body_fat_pct": 24},
    "wellbeing": {"date": YESTERDAY, "sleep_h": 7},
}
# POSTs that keep nothing
COMPUTED = {f"/v1/athletes/{{athlete_id}}/{path}" for path in ("menus", "menus/swap", "targets/split")}
SHARED = {"/v1/foods", "/v1/foods/{slug}", "/v1/recipes"}  # the practice's, read by all of its keys
# Bodies for routes that look for what their path names only after they have read a good body.
BODIES: dict[str, Any] = {
    "/v1/reviews/{review_id}/decision": {"decision": "declined"},
    "/v1/policies/{policy_id}/replays": {"from": days_ago(9), "to": days_ago(2)},
}


def routes(app: FastAPI) -> list[Route]:
    """Every method and path below /v1, also those that the schema leaves out."""

    def walk(items: Any) -> Iterator[Any]:
        for item in items:
            if hasattr(item, "effective_candidates"):  # FastAPI keeps what a router includes as it is
                yield from walk(item.effective_candidates())
            else:
                yield item

    found = [(method, item.path) for item in walk(app.routes) for method in sorted(item.methods or ())]
    return sorted((method, path) for method, path in found if path.startswith("/v1") and method != "HEAD")


@dataclass
class World:
    """A practice with one of everything, and the ids that its paths take."""

    api: Api
    athlete: dict[str, Any]
    other: dict[str, Any]
    ids: dict[str, str]

    def address(self, path: str, ids: dict[str, str] | None = None) -> str:
        """The path below /v1 with ids; an id that is not known here is to be added to `world`."""
        kind = path.split("/")[4] if path.count("/") > 3 else ""
        ids = {**self.ids, "entry_id": self.ids.get(kind, ""), **(ids or {})}
        return path.format(**ids).removeprefix("/v1")

    def secrets(self) -> set[str]:
        """What nobody else may read."""
        return {*self.ids.values(), self.athlete["external_id"], "Canary"} - {YESTERDAY, self.other["id"]}


@pytest.fixture(scope="module")
def world(api: Api) -> World:
    athlete, other = api.athlete(name="Canary"), api.athlete()
    home = f"/athletes/{athlete['id']}"
    ids = {"athlete_id": athlete["id"], "date": YESTERDAY}
    for kind, body in ENTRIES.items():
        entries = [{**body, "date": days_ago(day)} for day in range(1, 10)]
        ids[kind] = api("POST", f"{home}/{kind}", entries).json()["items"][0]["id"]
    ids["phase_id"] = api("POST", f"{home}/phases", {"kind": "build", "starts_on": days_ago(9)}).json()["id"]
    target = {"from_date": days_ago(9), "energy_kcal": 2600, "acknowledge": ["limit.surplus", "phase.energy_disagrees"]}
    ids["target_id"] = api("POST", f"{home}/targets", target).json()["id"]
    api("PUT", f"{home}/screening", {"kidney_disease": False})
    api("PUT", f"{home}/food-days/{YESTERDAY}", {"state": "complete"})
    ids["review_id"] = api("POST", f"{home}/reviews", {"as_of": YESTERDAY}).json()["id"]
    ids["key_id"] = api("POST", "/keys", {"name": "Canary", "scopes": ["entries:read"]}).json()["id"]
    ids["import_id"] = api.load('{"type": "weigh_in", "athlete": "Canary", "mass_kg": 1}')["id"]
    policy = {"athlete_id": athlete["id"], "changes": {}, "note": "Canary"}
    ids["policy_id"] = api("POST", "/policies", policy).json()["id"]
    ids["replay_id"] = api(
        "POST", f"/policies/{ids['policy_id']}/replays", BODIES["/v1/policies/{policy_id}/replays"]
    ).json()["id"]
    nutrients = {"energy_kcal": 60, "protein_g": 10, "fat_g": 0, "carbohydrate_g": 4}
    food = {"name": "Canary", "group": "recipe", "diet": "vegetarian", "allergens": [], "per_100g": nutrients}
    ids["slug"] = api("POST", "/foods", food).json()["slug"]
    plan = {"name": "Canary", "from_date": days_ago(9), "days": [{"name": "A", "exercises": [{"exercise": "pull-up"}]}]}
    knee = {"region": "knee", "since": days_ago(9), "level": 1, "note": "Canary"}
    ids["restriction_id"] = api("POST", f"{home}/restrictions", knee).json()["id"]
    ids["plan_id"] = api("POST", f"{home}/training-plans", plan).json()["id"]
    return World(api, athlete, other, ids)


def walk(world: World, client: Api) -> Iterator[tuple[Route, Any]]:
    """The answer of every route to this client, with the practice's ids; GETs first, then what would change things."""
    for method, path in sorted(routes(world.api.app), key=lambda route: (route[0] != "GET", route[0] == "DELETE")):
        content = {} if method == "GET" else {"body": BODIES.get(path, {})}
        yield (method, path), client(method, world.address(path), **content)


def untouched(world: World) -> None:
    """Everything of the practice is still as it was made."""
    api, home = world.api, f"/athletes/{world.athlete['id']}"
    assert api("GET", home).json() == world.athlete
    for kind in ENTRIES:
        found = api.all(f"{home}/{kind}")
        assert len(found) == 9 and {entry["revision"] for entry in found} == {1}, kind
    assert api("GET", f"/reviews/{world.ids['review_id']}").json()["state"] == "open"
    assert [item["revision"] for item in api.all(f"{home}/phases") + api.all(f"{home}/targets")] == [1, 1]
    assert api("GET", f"{home}/screening").json()["revision"] == 1
    assert not api.rows(EntryRevision)


def test_the_table_of_routes_is_the_schemas(world: World) -> None:
    schema = world.api("GET", "//openapi.json").json()["paths"]
    documented = sorted((method.upper(), path) for path, item in schema.items() for method in item)
    assert [route for route in documented if route[1].startswith("/v1")] == routes(world.api.app)
    assert len(documented) > 60


def test_a_stranger_finds_nothing(world: World) -> None:
    for (method, path), answer in walk(world, world.api.stranger()):
        if "{" in path:
            assert answer.status_code == 404, (method, path, answer.text)
        else:
            assert answer.status_code in (200, 415, 422, 428), (method, path, answer.text)
        found = {secret for secret in world.secrets() if secret in answer.text}
        assert not found, (method, path, answer.text)
    untouched(world)


def test_a_stranger_names_nothing_of_ours_in_a_body(world: World) -> None:
    stranger = world.api.stranger()
    bound = {"name": "spy", "scopes": ["entries:read"], "athlete_id": world.athlete["id"]}
    assert stranger("POST", "/keys", bound).status_code == 404
    assert stranger("POST", "/policies", {"athlete_id": world.athlete["id"], "changes": {}}).status_code == 404
    replay = BODIES["/v1/policies/{policy_id}/replays"]
    for field, value in (("athletes", [world.athlete["id"]]), ("against", world.ids["policy_id"])):
        refused = stranger("POST", "/policies/default/replays", {**replay, field: value})
        assert faults(refused).keys() == {f"/{field}"}
    line = {"type": "weigh_in", "athlete": world.athlete["external_id"], **ENTRIES["weigh-ins"]}
    loaded = stranger.load(json.dumps(line))
    assert loaded["lines_kept"] == 0 and loaded["faults"][0]["code"] == "unknown_athlete"
    same = {**ATHLETE, "external_id": world.athlete["external_id"]}
    assert stranger("POST", "/athletes", same).status_code == 201, "an external_id is the practice's own"
    untouched(world)


def test_without_a_key_nothing_is_answered(world: World) -> None:
    for route, answer in walk(world, world.api.with_key(None)):
        assert answer.status_code == 401, route
        assert answer.headers["www-authenticate"] == "Bearer"
    untouched(world)


def test_a_key_without_a_scope_may_nothing(world: World) -> None:
    nothing = world.api.key_of("nothing")
    for route, answer in walk(world, nothing):
        assert answer.status_code == 403, (route, answer.text)
    untouched(world)


def test_reading_keys_change_nothing_and_writing_keys_read_nothing(world: World) -> None:
    readers = world.api.key_of("entries:read", "coaching:read")
    for (method, path), answer in walk(world, readers):
        if method != "GET" and path not in COMPUTED:
            assert answer.status_code == 403, (method, path, answer.text)
    writers = world.api.key_of("entries:write", "athletes:write", "coaching:write")
    for method, path in routes(world.api.app):
        if method == "GET" and not path.startswith("/v1/imports"):
            assert writers(method, world.address(path)).status_code == 403, path
    entries = world.api.key_of("entries:write", "entries:read")
    for method, path in routes(world.api.app):
        if any(part in path for part in ("keys", "phases", "targets", "reviews", "policies", "screening", "plans")):
            content = {} if method == "GET" else {"body": BODIES.get(path, {})}
            assert entries(method, world.address(path), **content).status_code == 403, (method, path)
    assert entries("PATCH", "/practice", {}, headers={"if-match": "*"}).status_code == 403
    untouched(world)


def test_a_key_bound_to_one_athlete_finds_no_other(world: World) -> None:
    bound = world.api.key_of(*(scope for scope in SCOPES if scope != "admin"), athlete_id=world.other["id"])
    for (method, path), answer in walk(world, bound):
        if method == "GET" and path in SHARED:
            continue
        if "{" in path:
            assert answer.status_code in (403, 404), (method, path, answer.text)
        assert not {secret for secret in world.secrets() if secret in answer.text}, (method, path, answer.text)
    assert [item["id"] for item in bound.all("/athletes")] == [world.other["id"]]
    assert bound("POST", "/athletes", {**ATHLETE, "external_id": "new"}).status_code == 404
    assert bound("POST", "/imports", content="", headers={"content-type": "text/csv"}).status_code == 404
    own = f"/athletes/{world.other['id']}"
    made = bound("POST", f"{own}/weigh-ins", ENTRIES["weigh-ins"])
    assert made.status_code == 201
    for kind in ENTRIES:  # an entry is found under its own athlete alone
        crossed = f"{own}/{kind}/{world.ids[kind]}"
        assert bound("DELETE", crossed).status_code == 404
        assert world.api("PATCH", crossed, {"note": "x"}).status_code == 404
    untouched(world)


def test_keys_that_are_revoked_expired_or_not_whole(world: World) -> None:
    api = world.api
    revoked = api("POST", "/keys", {"name": "gone", "scopes": ["admin"]}).json()
    assert api.with_key(revoked["key"])("GET", "/practice").status_code == 200
    assert api("DELETE", f"/keys/{revoked['id']}").status_code == 204
    assert api("DELETE", f"/keys/{revoked['id']}").status_code == 404
    expired = api.key_of("admin", expires_at=datetime.now(UTC) - timedelta(seconds=1)).key
    lasting = api.key_of("admin", expires_at=datetime.now(UTC) + timedelta(hours=1))
    assert lasting("GET", "/practice").status_code == 200
    good = api.key or ""
    bad = [revoked["key"], expired, good[:-1], good + "x", good.upper(), good[:10], "", "x", "null", "\u00e9"]
    for key in bad:
        for method, path in routes(api.app):
            if method == "GET":
                headers = {"authorization": f"Bearer {key}".encode("latin-1")}
                answer = api(method, world.address(path), headers=headers)
                assert answer.status_code == 401, (key, path)
    for header in (good, f"Basic {good}", f"Bearer  {good} x", "Bearer"):
        assert api("GET", "/practice", headers={"authorization": header}).status_code == 401, header
    assert api("GET", "/practice", headers={"authorization": f"bearer {good}"}).status_code == 200


class TestKeys:
    def test_a_key_is_shown_once_and_its_use_is_noted(self, api: Api) -> None:
        made = api("POST", "/keys", {"name": "phone", "scopes": ["entries:read"]}).json()
        (listed,) = [item for item in api.all("/keys") if item["id"] == made["id"]]
        assert "key" not in listed and listed["last_used_at"] is None and listed["revoked_at"] is None
        api.with_key(made["key"])("GET", "/practice")
        (listed,) = [item for item in api.all("/keys") if item["id"] == made["id"]]
        assert datetime.fromisoformat(listed["last_used_at"]) > datetime.now(UTC) - timedelta(minutes=1)

    def test_faults_of_a_key(self, api: Api, athlete: dict[str, Any]) -> None:
        bad = api("POST", "/keys", {"name": "", "scopes": ["all"], "athlete_id": "me", "expires_at": "soon", "key": 1})
        assert faults(bad).keys() == {"/name", "/scopes/0", "/athlete_id", "/expires_at", "/key"}
        assert faults(api("POST", "/keys", {"name": "x", "scopes": []})).keys() == {"/scopes"}
        past = {"name": "x", "scopes": ["admin"], "expires_at": "2020-01-01T00:00:00Z"}
        assert faults(api("POST", "/keys", past)) == {"/expires_at": "in_the_past"}
        wide = {"name": "x", "scopes": ["admin"], "athlete_id": athlete["id"]}
        assert faults(api("POST", "/keys", wide)) == {"/scopes": "too_wide"}
        nobody = {"name": "x", "scopes": ["entries:read"], "athlete_id": str(uuid.uuid4())}
        assert api("POST", "/keys", nobody).status_code == 404

    def test_a_dry_run_makes_no_key(self, api: Api) -> None:
        made = api("POST", "/keys?dry_run=true", {"name": "dry", "scopes": ["admin"]}).json()
        assert "dry" not in {item["name"] for item in api.all("/keys")}
        assert api.with_key(made["key"])("GET", "/practice").status_code == 401

    def test_a_deleted_athletes_key_opens_nothing(self, api: Api) -> None:
        gone, stays = api.athlete(), api.athlete()
        bound = api.key_of("entries:read", "entries:write", athlete_id=gone["id"])
        api("DELETE", f"/athletes/{gone['id']}")
        assert not [row for row in api.rows(Athlete) if str(row["id"]) == gone["id"]]
        for path in (f"/athletes/{gone['id']}", f"/athletes/{stays['id']}"):
            assert bound("GET", path).status_code in (401, 404)
        assert bound.all("/athletes") == []
