"""What holds for every request: problems (RFC 9457), media types, limits, methods, versions, repeats, pages."""

import asyncio
import json
import re
import uuid
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from service.settings import Settings
from service.store.tables import ApiKey, Athlete, IdempotentAnswer
from tests.api.conftest import ATHLETE, Api, Call, Loop, days_ago, faults, running, serving
from tests.databases import Databases

YESTERDAY = days_ago(1)
WEIGH_IN = {"date": YESTERDAY, "mass_kg": 64.2}


@pytest.mark.parametrize(
    ("content", "status", "pointers"),
    [
        (b"{oops", 400, []),
        (b'{"mass_kg": 64.2', 400, []),
        (b"\xff\xfe", 400, []),
        (b"[" * 100_000, 400, []),
        (b'{"mass_kg": ' + b"9" * 5000 + b"}", 400, []),
        (b'{"date": "%s", "mass_kg": NaN}' % YESTERDAY.encode(), 422, ["/mass_kg"]),
        (b'{"date": "%s", "mass_kg": -Infinity}' % YESTERDAY.encode(), 422, ["/mass_kg"]),
        (b'{"date": "%s", "mass_kg": 1e400}' % YESTERDAY.encode(), 422, ["/mass_kg"]),
        (b'{"date": "%s", "mass_kg": 64, "note": "a\\u0000b"}' % YESTERDAY.encode(), 422, ["/note"]),
        (b'{"date": "%s", "mass_kg": 64, "ref": "\\ud800"}' % YESTERDAY.encode(), 422, ["/ref"]),
        (b'{"date": "%s", "mass_kg": 64, "\\ud800": 1}' % YESTERDAY.encode(), 422, [""]),
        (b'{"date": "%s", "mass_kg": 64, "a/b~c": 1}' % YESTERDAY.encode(), 422, ["/a~1b~0c"]),
        (b'{"date": "%s", "mass_kg": {"value": 64}}' % YESTERDAY.encode(), 422, ["/mass_kg"]),
        (b'"text"', 422, [""]),
        (b"null", 422, [""]),
        (b"", 422, [""]),
    ],
)
def test_a_body_that_cannot_be_kept_is_a_problem(
    api: Api, home: str, content: bytes, status: int, pointers: list[str]
) -> None:
    answer = api("POST", f"{home}/weigh-ins", content=content)
    assert list(faults(answer, status)) == pointers
    assert api.all(f"{home}/weigh-ins") == []


@pytest.mark.parametrize("media_type", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""])
def test_only_json_is_read(api: Api, home: str, media_type: str) -> None:
    answer = api("POST", f"{home}/weigh-ins", WEIGH_IN, headers={"content-type": media_type})
    assert answer.status_code == 415
    for good in ("application/json", "application/json; charset=utf-8", "application/merge-patch+json"):
        answer = api("POST", f"{home}/weigh-ins?dry_run=true", WEIGH_IN, headers={"content-type": good})
        assert answer.status_code == 201, good


def test_a_body_over_the_limit_is_a_problem(loop: Loop, databases: Databases) -> None:
    with (
        databases.fresh("sqlite") as url,
        serving(loop, Settings(database_url=url, check_tenant_filter=True, max_body_bytes=2000)) as api,
    ):
        path = f"/athletes/{api.athlete()['id']}/weigh-ins"
        large = json.dumps({**WEIGH_IN, "note": "n" * 2000})

        async def pieces() -> Any:
            for start in range(0, len(large), 100):
                yield large[start : start + 100].encode()

        assert api("POST", path, content=large).status_code == 413
        assert api("POST", path, content=pieces()).status_code == 413, "without a Content-Length too"
        assert api("POST", path, WEIGH_IN).status_code == 201


def test_every_route_with_a_body_wants_json_within_the_limit(loop: Loop, databases: Databases) -> None:
    with (
        databases.fresh("sqlite") as url,
        serving(loop, Settings(database_url=url, check_tenant_filter=True, max_body_bytes=2000)) as api,
    ):
        paths = api("GET", "//openapi.json").json()["paths"]
        bodies = [(method, path) for path, item in paths.items() for method in item if "requestBody" in item[method]]
        assert len(bodies) > 20
        for method, path in bodies:
            address = re.sub(r"{\w+}", str(uuid.uuid4()), path.removeprefix("/v1"))
            if path != "/v1/imports":
                assert api(method, address, content=b" " * 2001).status_code == 413, path
            plain = api(method, address, content=b"{}", headers={"content-type": "text/plain"})
            assert plain.status_code == 415, path


@pytest.mark.parametrize(
    ("method", "path", "allow"),
    [
        ("DELETE", "/athletes", "GET, HEAD, POST"),
        ("PUT", "/athletes/{id}", "GET, HEAD, PATCH, DELETE"),
        ("GET", "/athletes/{id}/weigh-ins/{id}", "PATCH, DELETE"),
        ("POST", "/athletes/{id}/screening", "GET, HEAD, PUT"),
        ("OPTIONS", "/practice", "GET, HEAD, PATCH"),
        ("HEAD", "/athletes/{id}/weigh-ins/{id}", "PATCH, DELETE"),
        ("TRACE", "/attention", "GET, HEAD"),
        ("POST", "//healthz", "GET, HEAD"),
    ],
)
def test_a_method_that_a_path_does_not_know(api: Api, method: str, path: str, allow: str) -> None:
    """RFC 9110, section 15.5.6: the answer names all methods that the resource allows."""
    answer = api(method, path.replace("{id}", str(uuid.uuid4())))
    assert answer.status_code == 405
    assert answer.headers["allow"] == allow


@pytest.mark.parametrize("path", ["/practice", "/athletes?limit=1", "/attention", "//healthz", "//openapi.json"])
def test_head_is_the_get_without_its_content(api: Api, path: str) -> None:
    """RFC 9110, section 9.3.2: the same header fields, no content."""
    got, head = api("GET", path), api("HEAD", path)
    assert (head.status_code, head.content) == (got.status_code, b"") and got.content
    same = ("content-type", "content-length", "etag", "link")
    assert [head.headers.get(name) for name in same] == [got.headers.get(name) for name in same]


def test_head_of_what_is_not_there_or_not_allowed(api: Api) -> None:
    missing = api("HEAD", f"/athletes/{uuid.uuid4()}")
    assert (missing.status_code, missing.content) == (404, b"")
    assert api("HEAD", "/practice", headers={"authorization": "Bearer nobody"}).status_code == 401


@pytest.mark.parametrize("path", ["/nothing", "/", "//nothing", "/athletes/x/y/z", "//problems/nothing"])
def test_a_path_that_is_not_there(api: Api, path: str) -> None:
    for key in (api, api.with_key(None)):
        assert key("GET", path).status_code == 404
        assert key("POST", path, {}).status_code in (404, 405)


def test_problem_types_explain_themselves(api: Api) -> None:
    found = api("GET", "/nothing").json()
    told = api("GET", f"/{found['type']}")
    assert told.status_code == 200 and told.json()["status"] == 404


def test_identifiers_and_queries_that_cannot_be_read(api: Api) -> None:
    assert faults(api("GET", "/athletes/one")).keys() == {"athlete_id"}
    assert faults(api("GET", "/athletes?limit=0&external_id=")).keys() == {"limit", "external_id"}
    for address in ("/athletes?external_id=%00", "/foods/%00", "/policies/%00", "/exercises?pattern=%00"):
        assert api("GET", address).status_code == 400, address
    assert faults(api("GET", "/athletes?limit=1001")).keys() == {"limit"}
    assert api("GET", "/athletes?external_id=%ED%A0%80").json()["items"] == []


def test_health_and_readiness_need_no_key(api: Api) -> None:
    anyone = api.with_key(None)
    assert anyone("GET", "//healthz").json() == {"status": "alive"}
    assert anyone("GET", "//readyz").json() == {"status": "ready"}
    assert anyone("GET", "//openapi.json").status_code == 200


def test_without_the_schema_it_is_alive_and_not_ready(loop: Loop, databases: Databases, database_engine: str) -> None:
    with databases.fresh(database_engine, migrated=False) as url, running(loop, Settings(database_url=url)) as app:
        http = httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://steelyard.test")
        anyone = Api(app, http, loop, uuid.uuid4(), None)
        assert anyone("GET", "//healthz").status_code == 200
        assert anyone("GET", "//readyz").status_code == 503


VERSIONED: list[tuple[str, str, dict[str, Any], dict[str, Any]]] = [
    ("/athletes/{athlete}", "PATCH", {"activity_factor": 1.6}, {"activity_factor": 1.7}),
    ("/practice", "PATCH", {"time_zone": "Europe/Lisbon"}, {"time_zone": "Europe/Paris"}),
    ("/athletes/{athlete}/phases/{phase}", "PATCH", {"note": "one"}, {"note": "two"}),
    ("/athletes/{athlete}/targets/{target}", "PATCH", {"energy_kcal": 2650}, {"energy_kcal": 2700}),
]


@pytest.mark.parametrize(("path", "method", "one", "two"), VERSIONED, ids=[item[0] for item in VERSIONED])
def test_a_change_names_the_version_it_changes(
    api: Api, home: str, path: str, method: str, one: dict[str, Any], two: dict[str, Any]
) -> None:
    """RFC 6585, section 3 (428) and RFC 9110, section 13.1.1 (412: false, so the method is not performed)."""
    athlete = home.rsplit("/", 1)[1]
    phase = api("POST", f"{home}/phases", {"kind": "maintain", "starts_on": days_ago(20)}).json()["id"]
    target = api("POST", f"{home}/targets", {"from_date": days_ago(20), "energy_kcal": 2600}).json()["id"]
    path = path.format(athlete=athlete, phase=phase, target=target)
    revision = api("GET", path).json()["revision"] if path.count("/") < 3 else 1
    tag = f'"r{revision}"'
    assert api(method, path, one).status_code == 428
    assert api(method, path, one, headers={"if-match": '"r999"'}).status_code == 412
    assert api(method, path, one, headers={"if-match": f"W/{tag}"}).status_code == 412, "strong comparison"
    dry = api(method, f"{path}?dry_run=true", one, headers={"if-match": tag})
    assert dry.status_code == 200 and dry.headers["etag"] == f'"r{revision + 1}"'
    answers = api.together([Call(method, path, body, headers={"if-match": tag}) for body in (one, two)])
    assert sorted(answer.status_code for answer in answers) == [200, 412]
    kept = next(answer for answer in answers if answer.status_code == 200)
    assert kept.headers["etag"] == f'"r{revision + 1}"'
    listed = api(method, path, two, headers={"if-match": f'"r0", {kept.headers["etag"]}'})
    assert listed.status_code == 200
    assert api(method, path, one, headers={"if-match": "*"}).status_code == 200


def test_a_screening_of_one_version_is_answered_once(api: Api, home: str) -> None:
    path = f"{home}/screening"
    calls = [Call("PUT", path, {"kidney_disease": answer}, headers={"if-match": '"r0"'}) for answer in (True, False)]
    assert sorted(answer.status_code for answer in api.together(calls)) == [200, 412]


class TestIdempotencyKey:
    """The draft `Idempotency-Key` header: a lost answer can be asked for again."""

    def test_a_repeat_gets_the_first_answer(self, api: Api, home: str) -> None:
        headers = {"idempotency-key": '"k-1"'}
        first = api("POST", f"{home}/weigh-ins", WEIGH_IN, headers=headers)
        again = api("POST", f"{home}/weigh-ins", WEIGH_IN, headers={"idempotency-key": "k-1"})
        assert (first.status_code, again.status_code) == (201, 201)
        assert again.content == first.content and again.headers["etag"] == first.headers["etag"]
        assert again.headers["idempotency-replayed"] == "true" and "idempotency-replayed" not in first.headers
        assert len(api.all(f"{home}/weigh-ins")) == 1

    def test_another_body_is_refused(self, api: Api, home: str) -> None:
        headers = {"idempotency-key": "k-2"}
        api("POST", f"{home}/weigh-ins", WEIGH_IN, headers=headers)
        assert api("POST", f"{home}/weigh-ins", {**WEIGH_IN, "mass_kg": 65}, headers=headers).status_code == 422
        assert api("POST", f"{home}/weigh-ins?dry_run=true", WEIGH_IN, headers=headers).status_code == 422
        assert api("POST", f"{home}/meals", {"date": YESTERDAY, "energy_kcal": 1}, headers=headers).status_code == 201

    def test_concurrent_twins_have_one_effect(self, api: Api, home: str) -> None:
        call = Call("POST", f"{home}/weigh-ins", WEIGH_IN, headers={"idempotency-key": "k-3"})
        answers = api.together([call] * 6)
        assert {answer.status_code for answer in answers} == {201}
        assert len({answer.content for answer in answers}) == 1
        assert len(api.all(f"{home}/weigh-ins")) == 1

    def test_a_request_that_failed_or_kept_nothing_may_be_sent_again(self, api: Api, home: str) -> None:
        headers = {"idempotency-key": "k-4"}
        assert api("POST", f"{home}/weigh-ins", {"mass_kg": 1}, headers=headers).status_code == 422
        assert api("POST", f"{home}/weigh-ins?dry_run=true", WEIGH_IN, headers=headers).status_code == 201
        assert api("POST", f"{home}/weigh-ins", WEIGH_IN, headers=headers).status_code == 201
        assert len(api.all(f"{home}/weigh-ins")) == 1

    def test_what_is_no_key_is_refused(self, api: Api, home: str) -> None:
        for bad in ("", '""', "k" * 256):
            answer = api("POST", f"{home}/weigh-ins", WEIGH_IN, headers={"idempotency-key": bad})
            assert answer.status_code == 400

    def test_each_caller_has_keys_of_its_own(self, api: Api, home: str) -> None:
        """Or a key without the scope would be answered what another one was."""
        headers = {"idempotency-key": "k-5"}
        body = {**ATHLETE, "external_id": "only-once"}
        assert api("POST", "/athletes", body, headers=headers).status_code == 201
        assert api.key_of("entries:read")("POST", "/athletes", body, headers=headers).status_code == 403
        assert api.stranger()("POST", "/athletes", body, headers=headers).status_code == 201

    def test_a_secret_is_never_kept(self, api: Api) -> None:
        headers = {"idempotency-key": "k-6"}
        made = api("POST", "/keys", {"name": "phone", "scopes": ["entries:read"]}, headers=headers)
        assert made.status_code == 201 and made.headers["cache-control"] == "no-store"
        again = api("POST", "/keys", {"name": "phone", "scopes": ["entries:read"]}, headers=headers)
        assert again.status_code == 409
        secret = made.json()["key"]
        assert secret not in str(api.rows(IdempotentAnswer)) + str(api.rows(ApiKey))
        assert len([item for item in api.all("/keys") if item["name"] == "phone"]) == 1


class TestPages:
    def test_a_walk_loses_and_repeats_no_row_that_stays(self, api: Api, home: str) -> None:
        path = f"{home}/weigh-ins"
        made = api("POST", path, [{"date": days_ago(day), "mass_kg": 64} for day in range(1, 31)]).json()["items"]
        stay = {item["id"] for item in made[::2]}
        gone = [item["id"] for item in made[1::2]]
        seen: list[str] = []
        following: str | None = f"/v1{path}?limit=4"
        step = 0
        while following:
            answer = api("GET", f"/{following}")
            seen += [item["id"] for item in answer.json()["items"]]
            following = answer.links.get("next", {}).get("url")
            api("DELETE", f"{path}/{gone.pop()}")
            api("POST", path, [{"date": days_ago(step % 30 + 1), "mass_kg": 65} for _ in range(3)])
            step += 1
            assert step < 60
        assert len(seen) == len(set(seen)), "a row came twice"
        assert stay <= set(seen), "a row that stayed was lost"

    def test_pages_hold_all_rows_in_order(self, api: Api, home: str) -> None:
        api("POST", f"{home}/weigh-ins", [{"date": days_ago(1 + day % 5), "mass_kg": 64} for day in range(23)])
        whole = api.all(f"{home}/weigh-ins?limit=1000")
        assert len(whole) == 23
        assert whole == sorted(whole, key=lambda item: (item["date"], item["id"]))
        for limit in (1, 5, 23):
            assert api.all(f"{home}/weigh-ins?limit={limit}") == whole
        last = api("GET", f"{home}/weigh-ins?limit=23")
        assert "link" not in last.headers

    def test_the_link_keeps_the_filters(self, api: Api, home: str) -> None:
        api("POST", f"{home}/weigh-ins", [{"date": days_ago(day), "mass_kg": 64} for day in range(1, 9)])
        answer = api("GET", f"{home}/weigh-ins?limit=2&from={days_ago(6)}")
        assert re.fullmatch(r'<[^>]+\?limit=2&from=[^>]+&cursor=[^>]+>; rel="next"', answer.headers["link"])
        assert len(api.all(f"{home}/weigh-ins?limit=2&from={days_ago(6)}")) == 6

    @pytest.mark.parametrize("cursor", ["", "x", "AAAA", "é", "%00", "a" * 200, "e30", "../.."])
    def test_a_forged_cursor_is_malformed(self, api: Api, home: str, cursor: str) -> None:
        assert api("GET", f"{home}/weigh-ins?cursor={cursor}").status_code == 400

    def test_a_foreign_cursor_is_malformed(self, api: Api, home: str) -> None:
        def cursor(client: Api, path: str) -> str:
            link = client("GET", f"{path}?limit=1").links["next"]["url"]
            return link.split("cursor=")[1]

        entries = [{"date": days_ago(day), "mass_kg": 64} for day in (1, 2)]
        api("POST", f"{home}/weigh-ins", entries)
        mine = cursor(api, f"{home}/weigh-ins")
        assert api("GET", f"{home}/weigh-ins?cursor={mine}").status_code == 200
        other_athlete = f"/athletes/{api.athlete()['id']}"
        assert api("GET", f"{other_athlete}/weigh-ins?cursor={mine}").status_code == 400
        assert api("GET", f"{home}/meals?cursor={mine}").status_code == 400
        stranger = api.stranger()
        stranger.athlete(), stranger.athlete()
        assert api("GET", f"/athletes?cursor={cursor(stranger, '/athletes')}").status_code == 400
        flipped = mine[:-2] + ("A" if mine[-2] != "A" else "B") + mine[-1]
        assert api("GET", f"{home}/weigh-ins?cursor={flipped}").status_code == 400


def test_writes_at_once_lose_nothing(api: Api, home: str) -> None:
    calls = [Call("POST", f"{home}/weigh-ins", {"date": days_ago(day + 1), "mass_kg": 64}) for day in range(40)]
    assert {answer.status_code for answer in api.together(calls)} == {201}
    assert len(api.all(f"{home}/weigh-ins")) == 40
    names = [{**ATHLETE, "external_id": f"at-once-{number}"} for number in range(8)]
    answers = api.together([Call("POST", "/athletes", body) for body in names * 2])
    assert sorted(answer.status_code for answer in answers) == [201] * 8 + [409] * 8
    assert len([row for row in api.rows(Athlete) if row["external_id"].startswith("at-once-")]) == 8


def test_a_slow_sender_holds_up_nobody(api: Api, home: str) -> None:
    """The body is read before the transaction begins; SQLite has one writer."""

    async def both() -> tuple[httpx.Response, httpx.Response]:
        go_on = asyncio.Event()

        async def slowly() -> AsyncIterator[bytes]:
            yield json.dumps(WEIGH_IN)[:20].encode()
            await go_on.wait()
            yield json.dumps(WEIGH_IN)[20:].encode()

        slow = asyncio.create_task(api.send(Call("POST", f"{home}/weigh-ins", content=slowly())))
        await asyncio.sleep(0.05)
        other = await asyncio.wait_for(api.send(Call("POST", f"{home}/weigh-ins", WEIGH_IN)), 30)
        go_on.set()
        return other, await slow

    assert [answer.status_code for answer in api.loop.run(both())] == [201, 201]


def test_a_callers_own_id_in_a_path_is_told_where_to_look_it_up(api: Api) -> None:
    (fault,) = api("GET", "/athletes/my-own-1/weigh-ins").json()["errors"]
    assert fault["pointer"] == "athlete_id" and "/v1/athletes?external_id=" in fault["detail"]
    (other,) = api("GET", "/imports/mine").json()["errors"]
    assert other["pointer"] == "import_id" and "external_id" not in other["detail"]
