"""Query parameters: what a route does not have is refused by name, what it has is not."""

from typing import Any

import pytest

from tests.api.conftest import Api, faults


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("/athletes?name=x", "name"),
        ("{home}/weigh-ins?since=2026-01-01", "since"),
        ("/policies/schema?dry_run=1", "dry_run"),
    ],
)
def test_a_parameter_that_the_route_does_not_have_is_named(api: Api, home: str, path: str, name: str) -> None:
    assert faults(api("GET", path.format(home=home))) == {name: "unknown_parameter"}


def test_all_of_them_are_named_with_those_the_route_has(api: Api, home: str) -> None:
    refused = api("GET", f"{home}/weigh-ins?since=2026-01-01&until=2026-02-01&limit=5")
    assert faults(refused) == {"since": "unknown_parameter", "until": "unknown_parameter"}
    assert "limit" in refused.json()["detail"] and "from" in refused.json()["detail"]


def test_every_documented_parameter_of_every_list_is_known(api: Api, athlete: dict[str, Any]) -> None:
    paths = api("GET", "/../openapi.json").json()["paths"]
    tried = 0
    for path, item in paths.items():
        names = [one["name"] for one in item.get("get", {}).get("parameters", ()) if one["in"] == "query"]
        if not path.startswith("/v1") or not names:
            continue
        here = path.removeprefix("/v1").replace("{athlete_id}", athlete["id"])
        answer = api("GET", f"{here}?{'&'.join(f'{name}=1' for name in names)}")
        assert "unknown_parameter" not in answer.text, (path, answer.text)
        tried += 1
    assert tried > 10


def test_a_write_may_be_tried_and_nothing_more(api: Api, athlete: dict[str, Any]) -> None:
    here = f"/athletes/{athlete['id']}"
    etag = api("GET", here).headers["etag"]
    assert faults(api("DELETE", f"{here}?force=1", headers={"if-match": etag})) == {"force": "unknown_parameter"}
    assert api("DELETE", f"{here}?dry_run=true", headers={"if-match": etag}).status_code < 300
    assert api("GET", here).status_code == 200
