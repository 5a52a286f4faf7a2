"""An untidy roster and sheet, typed as coaches do: every good line is kept, each bad one named with its own reason."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.conftest import LiveServer, run_steelyard

SAMPLES = Path(__file__).parent / "samples"


def send(client: httpx.Client, name: str, media_type: str, query: str = "") -> dict[str, Any]:
    headers = {"content-type": media_type, "prefer": "wait=30"}
    answer = client.post(f"/v1/imports{query}", content=(SAMPLES / name).read_bytes(), headers=headers)
    assert answer.status_code == 202, answer.text
    return answer.json()


def reasons(found: dict[str, Any]) -> dict[int, str]:
    return {fault["line"]: f"{fault['pointer']} {fault['code']}" for fault in found["faults"]}


def test_samples_over_http_and_by_the_command(
    database_url: str,
    live_server: Callable[..., LiveServer],
    practice_key: Callable[[str, str], str],
) -> None:
    key = practice_key(database_url, "Quay Street Strength")
    server = live_server(database_url, settings={"STEELYARD_CHECK_TENANT_FILTER": "1"})
    headers = {"authorization": f"Bearer {key}"}
    with httpx.Client(base_url=server.url, headers=headers, trust_env=False, timeout=60) as client:
        roster = send(client, "roster.ndjson", "application/x-ndjson")
        assert (roster["state"], roster["lines_read"], roster["lines_kept"]) == ("done", 11, 6)
        assert reasons(roster) == {
            6: "/kind literal_error",
            7: " one_unit",
            9: "/at timezone_aware",
            11: "/sets/1/exercise unknown_exercise",
            12: " not_json",
        }
        sheet = send(client, "weigh-ins.csv", "text/csv", "?type=weigh_in")
        assert (sheet["state"], sheet["lines_read"], sheet["lines_kept"]) == ("done", 12, 7)
        assert reasons(sheet) == {
            5: "/date date_from_datetime_parsing",
            8: "/mass_kg not_a_number",
            10: "/athlete unknown_athlete",
            11: "/date date_from_datetime_parsing",
            12: "/mass_kg greater_than_equal",
        }

        def kept() -> dict[str, list[tuple[str, float, str | None]]]:
            found = {}
            for athlete in client.get("/v1/athletes").json()["items"]:
                entries = client.get(f"/v1/athletes/{athlete['id']}/weigh-ins").json()["items"]
                found[athlete["external_id"]] = [
                    (item["date"], item["mass_kg"], item["suspect"] and item["suspect"]["reason"]) for item in entries
                ]
            return found

        first = kept()
        assert first == {
            "m-1": [
                ("2026-03-01", 71.6, None),
                ("2026-03-02", 71.4, None),
                ("2026-03-03", 71.1, None),
                ("2026-03-05", 70.9, None),
                ("2026-03-07", 70.5, None),
                ("2026-03-08", 705, "slipped_decimal"),
                ("2026-03-09", 70.3, None),
            ],
            "m-2": [("2026-03-01", pytest.approx(72.8, abs=0.01), None), ("2026-03-02", 158, "pounds_for_kilograms")],
        }
        for again in (
            send(client, "roster.ndjson", "application/x-ndjson"),
            send(client, "weigh-ins.csv", "text/csv", "?type=weigh_in"),
        ):
            assert again["faults"] in (roster["faults"], sheet["faults"])
        assert kept() == first

        done = run_steelyard(database_url, "import", str(SAMPLES / "weigh-ins.csv"), "--key", key, "--type", "weigh_in")
        assert done.stdout.strip().endswith("done: 7 of 12 lines kept, 5 refused")
        assert len(done.stderr.strip().splitlines()) >= 5
        assert kept() == first
