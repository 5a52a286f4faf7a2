"""Imports: NDJSON and CSV as people have them, a fault for each bad line, and the same file again changes nothing."""

import csv
import io
import json
import time
from datetime import timedelta
from typing import Any

import pytest

from service.api import import_chunks, import_order, imports
from service.settings import Settings
from service.store.scope import Scope
from service.store.tables import EntryRevision, ImportRun, WeighIn
from service.store.types import now
from tests.api.conftest import ATHLETE, Api, Call, Loop, days_ago, serving
from tests.databases import Databases

YESTERDAY = days_ago(1)
CSV = "text/csv"


def ndjson(*lines: dict[str, Any]) -> str:
    return "".join(json.dumps(line) + "\n" for line in lines)


def by_line(found: dict[str, Any]) -> dict[int, list[str]]:
    lines: dict[int, list[str]] = {}
    for fault in found["faults"]:
        assert fault["detail"]
        lines.setdefault(fault["line"], []).append(f"{fault['pointer']} {fault['code']}")
    return lines


def roster(name: str) -> list[dict[str, Any]]:
    """One line of every type, all of one athlete."""
    of = {"athlete": name, "date": YESTERDAY}
    return [
        {"type": "weigh_in", **of, "mass_kg": 64.2},
        {"type": "athlete", "external_id": name, **ATHLETE, "goal": {"body_fat_pct": 20, "by": "2030-03-01"}},
        {"type": "screening", "athlete": name, "kidney_disease": False},
        {"type": "phase", "athlete": name, "kind": "cut", "starts_on": days_ago(20), "energy_kj": 7740},
        {"type": "targets", "athlete": name, "from_date": days_ago(20), "energy_kcal": 1850},
        {"type": "meal", **of, "slot": 1, "energy_kcal": 780, "protein_g": 52},
        {"type": "food_day", **of, "state": "partial"},
        {"type": "measurement", **of, "body_fat_pct": 24.0, "method": "skinfold"},
        {"type": "training_session", **of, "sets": [{"exercise": "pull-up", "added_kg": 7.5, "reps": 6, "rir": 2}]},
        {"type": "wellbeing", **of, "sleep_h": 7.5},
    ]


def everything(api: Api, name: str) -> dict[str, Any]:
    """All that the API shows of an athlete."""
    (athlete,) = api.all(f"/athletes?external_id={name}")
    home = f"/athletes/{athlete['id']}"
    paths = ("weigh-ins", "meals", "food-days", "measurements", "training-sessions", "wellbeing", "phases", "targets")
    return {"athlete": athlete, "screening": api("GET", f"{home}/screening").json()} | {
        path: api.all(f"{home}/{path}") for path in paths
    }


def test_every_type_of_line_is_kept_and_the_file_again_changes_nothing(api: Api) -> None:
    file = ndjson(*roster("n-1"))
    first = api.load(file)
    assert (first["state"], first["lines_read"], first["lines_kept"], first["faults"]) == ("done", 10, 10, [])
    kept = everything(api, "n-1")
    assert {name: len(items) for name, items in kept.items() if isinstance(items, list)} == dict.fromkeys(
        ("weigh-ins", "meals", "food-days", "measurements", "training-sessions", "wellbeing", "phases", "targets"), 1
    )
    assert kept["phases"][0]["energy_kcal"] == pytest.approx(7740 / 4.184, abs=1e-5)
    before = len(api.rows(EntryRevision))
    again = api.load(file)
    assert (again["state"], again["lines_kept"], again["faults"]) == ("done", 10, [])
    after = everything(api, "n-1")
    assert after.pop("screening").items() >= {"kidney_disease": False}.items()
    kept.pop("screening")
    assert after == kept
    assert len(api.rows(EntryRevision)) == before


def test_the_same_screening_again_is_no_new_answer(api: Api) -> None:
    file = ndjson(*roster("n-2"))
    api.load(file)
    first = everything(api, "n-2")["screening"]
    api.load(file)
    assert everything(api, "n-2")["screening"] == first


def test_a_line_of_a_known_reference_revises(api: Api) -> None:
    api.load(ndjson({"type": "athlete", "external_id": "n-3", **ATHLETE}))
    line = {"type": "weigh_in", "athlete": "n-3", "date": YESTERDAY, "mass_kg": 64.2, "ref": "scale-1"}
    found = api.load(ndjson(line, {**line, "mass_kg": 64.3}, {**line, "mass_kg": 64.4}))
    assert found["lines_kept"] == 3
    (entry,) = everything(api, "n-3")["weigh-ins"]
    assert (entry["mass_kg"], entry["revision"]) == (64.4, 3)
    assert api.load(ndjson({**line, "mass_kg": 64.4}))["lines_kept"] == 1
    assert everything(api, "n-3")["weigh-ins"] == [entry]
    same = {"type": "meal", "athlete": "n-3", "date": YESTERDAY, "energy_kcal": 500}
    api.load(ndjson(same, same, {**same, "slot": 2}))
    assert len(everything(api, "n-3")["meals"]) == 2, "without a reference a line is known by what it says"


def test_each_bad_line_is_named_and_the_others_are_kept(api: Api) -> None:
    api.load(ndjson({"type": "athlete", "external_id": "n-4", **ATHLETE}))
    of = {"type": "weigh_in", "athlete": "n-4", "date": YESTERDAY}
    lines: list[tuple[bytes, list[str]]] = [
        (ndjson({**of, "mass_kg": 64}).encode(), []),
        (b"\n", []),
        (b"{oops\n", [" not_json"]),
        (b"[1, 2]\n", [" not_an_object"]),
        (b'{"type": "weigh_in", "athlete": "n-4", "note": "\xff"}\n', [" not_json"]),
        (ndjson({**of, "type": "weighin"}).encode(), ["/type unknown_type"]),
        (ndjson({"athlete": "n-4"}).encode(), ["/type unknown_type"]),
        (ndjson({**of, "type": ["weigh_in"]}).encode(), ["/type unknown_type"]),
        (ndjson({"type": "weigh_in", "mass_kg": 64}).encode(), ["/athlete missing"]),
        (ndjson({**of, "athlete": 4, "mass_kg": 64}).encode(), ["/athlete missing"]),
        (ndjson({**of, "athlete": "nobody", "mass_kg": 64}).encode(), ["/athlete unknown_athlete"]),
        (ndjson({**of, "athlete": "n-4\0", "mass_kg": 64}).encode(), ["/athlete unstorable_text"]),
        (ndjson({**of, "athlete": "n" * 65, "mass_kg": 64}).encode(), ["/athlete string_too_long"]),
        (
            ndjson({**of, "mass_kg": -3, "colour": "blue"}).encode(),
            ["/mass_kg greater_than_equal", "/colour extra_forbidden"],
        ),
        (ndjson({**of, "date": days_ago(-9), "mass_kg": 64}).encode(), ["/date in_the_future"]),
        (ndjson({**of, "date": "1950-01-01", "mass_kg": 64}).encode(), ["/date before_birth"]),
        (ndjson({**of, "mass_kg": 64, "note": "a\0b"}).encode(), ["/note unstorable_text"]),
        (
            ndjson({"type": "food_day", "athlete": "n-4", "date": days_ago(-9), "state": "fast"}).encode(),
            ["/date in_the_future"],
        ),
        (
            ndjson({"type": "athlete", "external_id": "n-4b", **ATHLETE, "birth_date": days_ago(9)}).encode(),
            ["/birth_date implausible"],
        ),
        (ndjson({**of, "mass_kg": 64, "note": "n" * 1_100_000}).encode(), [" too_long"]),
        (ndjson({**of, "mass_kg": 65}).encode().rstrip(), []),
    ]
    found = api.load(b"".join(line for line, _ in lines))
    assert found["state"] == "done", found
    expected = {number: said for number, (_, said) in enumerate(lines, 1) if said}
    assert by_line(found) == expected
    assert (found["lines_read"], found["lines_kept"], found["lines_faulty"]) == (20, 2, 18)
    assert [entry["mass_kg"] for entry in everything(api, "n-4")["weigh-ins"]] == [64, 65]


SHEETS = {
    "plain": "athlete,date,mass_kg,note\ns-1,{0},64.2,as told\ns-1,{1},64.1,\n",
    "mark, CRLF, blank lines": "\ufeffathlete,date,mass_kg,note\r\n\r\ns-1,{0},64.2,as told\r\n,,,\r\ns-1,{1},64.1,\r\n"
    "\r\n",
    "quotes": '"athlete","date","mass_kg","note"\n"s-1","{0}","64.2","as told"\n"s-1",{1}," 64.1 ",""\n',
    "semicolons and decimal commas": "athlete;date;mass_kg;note\ns-1;{0};64,2;as told\ns-1;{1};64,1\n",
    "tabs": "athlete\tdate\tmass_kg\tnote\ns-1\t{0}\t64.2\tas told\ns-1\t{1}\t64.1\t\n",
    "a column of types": "type,athlete,date,mass_kg,note\nweigh_in,s-1,{0},64.2,as told\nweigh_in,s-1,{1},64.1,\n",
    "spaces in the header": " athlete , date , mass_kg , note \ns-1 , {0} , 64.2 , as told \n s-1,{1},64.1,\n",
}


@pytest.mark.parametrize("form", SHEETS)
def test_sheets_as_people_have_them(api: Api, form: str) -> None:
    name = f"s-{list(SHEETS).index(form)}"
    api.load(ndjson({"type": "athlete", "external_id": name, **ATHLETE}))
    sheet = SHEETS[form].format(days_ago(2), YESTERDAY).replace("s-1", name)
    found = api.load(sheet.encode(), CSV, "" if "types" in form else "?type=weigh_in")
    assert (found["state"], found["faults"], found["lines_kept"]) == ("done", [], 2), found
    entries = everything(api, name)["weigh-ins"]
    assert [(entry["mass_kg"], entry["note"]) for entry in entries] == [(64.2, "as told"), (64.1, None)]
    assert api.load(sheet.encode(), CSV, "?type=weigh_in")["lines_kept"] == 2
    assert everything(api, name)["weigh-ins"] == entries


def test_a_sheet_with_quoted_commas_and_line_breaks(api: Api) -> None:
    api.load(ndjson({"type": "athlete", "external_id": "q-1", **ATHLETE}))
    note = 'tired, after "the" run\nand late'
    sheet = io.StringIO()
    writer = csv.writer(sheet)
    writer.writerows(
        [["athlete", "date", "mass_kg", "note"], ["q-1", YESTERDAY, 64.2, note], ["q-1", YESTERDAY, "x", ""]]
    )
    found = api.load(sheet.getvalue(), CSV, "?type=weigh_in")
    assert [(fault["pointer"], fault["code"]) for fault in found["faults"]] == [("/mass_kg", "not_a_number")]
    assert everything(api, "q-1")["weigh-ins"][0]["note"] == note


def test_cells_that_are_no_numbers_dates_or_text(api: Api) -> None:
    api.load(ndjson({"type": "athlete", "external_id": "c-1", **ATHLETE}))
    cells = ["64kg", "nan", "inf", "6_4", "1.234,5", "64.2.1", "", "6e1", "+64", "0x40"]
    sheet = "athlete,date,mass_kg\n" + "".join(f'c-1,{YESTERDAY},"{cell}"\n' for cell in cells)
    found = api.load(sheet, CSV, "?type=weigh_in")
    assert found["lines_kept"] == 2 and sorted(by_line(found)) == [2, 3, 4, 5, 6, 7, 8, 11]
    assert [entry["mass_kg"] for entry in everything(api, "c-1")["weigh-ins"]] in ([60, 64], [64, 60])
    bad_bytes = b"athlete,date,mass_kg,note\n\xff,%s,64,\nc-1,%s,64,\xfe\nc-1,%s,63,fine\n" % (
        (YESTERDAY.encode(),) * 3
    )
    found = api.load(bad_bytes, CSV, "?type=weigh_in")
    assert found["state"] == "done" and by_line(found) == {
        2: ["/athlete string_unicode"],
        3: ["/note string_unicode"],
    }
    bad_header = b"athlete,date,mass_kg,\xff\nc-1,%s,64,1\n" % YESTERDAY.encode()
    found = api.load(bad_header, CSV, "?type=weigh_in")
    assert found["state"] == "done" and list(by_line(found)) == [2]
    wide = f"athlete,date,mass_kg\nc-1,{YESTERDAY},64,1\nc-1,{YESTERDAY}\n"
    assert by_line(api.load(wide, CSV, "?type=weigh_in")) == {2: [" too_many_columns"], 3: [" one_unit"]}
    for empty in ("", "\n", "athlete,date,mass_kg\n"):
        found = api.load(empty, CSV, "?type=weigh_in")
        assert (found["state"], found["lines_read"]) == ("done", 0), repr(empty)


def test_lines_that_a_key_may_not_send(api: Api) -> None:
    api.load(ndjson({"type": "athlete", "external_id": "k-1", **ATHLETE}))
    logger = api.key_of("entries:write")
    found = logger.load(ndjson(*roster("k-1")))
    assert by_line(found) == {number: [" forbidden"] for number in (2, 3, 4, 5)}
    assert found["lines_kept"] == 6
    assert logger("GET", f"/imports/{found['id']}").json() == found
    assert everything(api, "k-1")["phases"] == []


def test_what_is_no_import(api: Api) -> None:
    for media_type in ("application/json", "text/plain", "application/x-ndjson-seq", ""):
        assert api("POST", "/imports", content="{}", headers={"content-type": media_type}).status_code == 415
    assert api("GET", "/imports/00000000-0000-0000-0000-000000000000").status_code == 404
    assert by_line(api.load("{}", query="?type=weighin")) == {1: ["/type unknown_type"]}
    odd = api("POST", "/imports", content="{}", headers={"content-type": CSV, "prefer": b"wait=\xb2, respond-async"})
    assert odd.status_code == 202


def test_a_dry_run_says_what_would_become_of_each_line(api: Api) -> None:
    lines = [*roster("d-1"), {"type": "weigh_in", "athlete": "nobody", "date": YESTERDAY, "mass_kg": 64}]
    for yes in ("true", "1", "y"):
        found = api.load(ndjson(*lines), query=f"?dry_run={yes}")
        assert (found["state"], found["lines_read"], found["lines_kept"]) == ("done", 11, 10), yes
        assert by_line(found) == {11: ["/athlete unknown_athlete"]}
        assert api.all("/athletes?external_id=d-1") == []


def test_faults_are_told_in_the_order_of_the_lines_and_in_words_for_coaches(api: Api) -> None:
    of = {"type": "weigh_in", "athlete": "o-1", "mass_kg": 64}
    lines: list[dict[str, Any]] = [
        {"type": "phase", "athlete": "nobody", "kind": "build", "starts_on": YESTERDAY},
        {"type": "athlete", "external_id": "o-1", **ATHLETE},
        {**of, "date": days_ago(-3)},
        {**of, "date": "31.1.2026"},
        {**of, "athlete": "nobody", "date": YESTERDAY},
        {"type": "weight", "athlete": "o-1"},
        {"type": "athlete", "external_id": "o-2", **ATHLETE, "birth_date": "1700"},
        {**of, "at": "yesterday"},
    ]
    found = api.load(ndjson(*lines))["faults"]
    assert [fault["line"] for fault in found] == [1, 3, 4, 5, 6, 7, 8]
    says = {fault["line"]: fault["detail"] for fault in found}
    assert f"{days_ago(-3)} is in the future: it is" in says[3]
    assert "YYYY-MM-DD" in says[4] and "YYYY-MM-DD" in says[7] and "hh:mm:ss" in says[8]


def test_a_file_over_the_limit_is_a_problem(loop: Loop, databases: Databases) -> None:
    settings = {"check_tenant_filter": True, "max_import_bytes": 3000, "max_body_bytes": 100}
    with databases.fresh("sqlite") as url, serving(loop, Settings(database_url=url, **settings)) as api:
        of = {"type": "athlete", "external_id": "big", **ATHLETE}
        assert api.load(ndjson(of), query="")["lines_kept"] == 1, "the limit of other bodies is not that of imports"
        large = ndjson(*[of] * 40)
        assert api("POST", "/imports", content=large, headers={"content-type": "application/jsonl"}).status_code == 413


def test_a_large_file_tells_how_far_it_has_come(api: Api) -> None:
    """Chunk by chunk: others' writes go in between, and progress is seen while it runs."""
    days = [days_ago(day) for day in range(1, 401)]
    lines: list[dict[str, Any]] = [{"type": "athlete", "external_id": "big", **ATHLETE}]
    for slot in range(1, 6):
        meal = {"type": "meal", "athlete": "big", "slot": slot, "energy_kcal": 500 + slot}
        lines += [{**meal, "date": day} for day in days]
    headers = {"content-type": "application/x-ndjson"}
    started = api("POST", "/imports", content=ndjson(*lines), headers=headers).json()
    other = api.athlete()
    seen: list[int] = []
    deadline = time.monotonic() + 60
    run = started
    while run["state"] == "running" and time.monotonic() < deadline:
        wrote = api("POST", f"/athletes/{other['id']}/weigh-ins", {"date": YESTERDAY, "mass_kg": 64})
        assert wrote.status_code == 201
        run = api("GET", f"/imports/{started['id']}").json()
        seen.append(run["lines_read"])
    assert run["state"] == "done" and run["lines_kept"] == len(lines) and run["ended_at"]
    assert seen == sorted(seen)
    assert len(everything(api, "big")["meals"]) == 2000


def test_two_imports_of_one_file_at_once_keep_each_line_once(api: Api) -> None:
    lines = [{"type": "athlete", "external_id": f"t-{number}", **ATHLETE} for number in range(8)]
    lines += [
        {"type": "weigh_in", "athlete": f"t-{number}", "date": days_ago(day), "mass_kg": 64}
        for day in range(1, 31)
        for number in range(8)
    ]
    headers = {"content-type": "application/x-ndjson", "prefer": "wait=60"}
    answers = api.together(
        [
            Call("POST", "/imports", content=ndjson(*order), headers=headers)
            for order in (lines, lines[7::-1] + lines[:7:-1])
        ]
    )
    runs = [answer.json() for answer in answers]
    assert [(run["state"], run["lines_kept"]) for run in runs] == [("done", len(lines))] * 2
    assert len([row for row in api.rows(WeighIn) if row["mass_kg"] == 64 and row["ref"]]) >= 240
    for number in range(8):
        assert len(everything(api, f"t-{number}")["weigh-ins"]) == 30


def test_an_import_that_died_is_reported(api: Api) -> None:
    """Nobody heard of it for longer than a chunk can take."""

    async def forget() -> str:
        async with api.database.writing() as connection:
            scope = Scope(connection, api.practice_id)
            row = {
                "id": imports.new_id(),
                "heard_at": now() - imports.SILENCE - timedelta(seconds=1),
                "lines_kept": 500,
            }
            await scope.insert(ImportRun, [row])
            return str(row["id"])

    found = api("GET", f"/imports/{api.loop.run(forget())}").json()
    assert found["state"] == "failed" and "send the file again" in found["detail"] and found["lines_kept"] == 500


def test_an_import_that_fails_says_where_and_keeps_what_it_kept(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    window = 500
    monkeypatch.setattr(import_order, "LINES", window)
    kept = import_chunks.put
    calls: list[int] = []

    async def fails_later(*arguments: Any) -> Any:
        calls.append(len(calls))
        if len(calls) > 2:
            raise RuntimeError("no room")
        return await kept(*arguments)

    monkeypatch.setattr(import_chunks, "put", fails_later)
    lines = [{"type": "athlete", "external_id": "f-1", **ATHLETE}]
    lines += [
        {"type": "weigh_in", "athlete": "f-1", "date": days_ago(day), "mass_kg": 64} for day in range(1, 3 * window)
    ]
    found = api.load(ndjson(*lines))
    monkeypatch.undo()
    assert found["state"] == "failed" and "RuntimeError" in found["detail"]
    assert found["lines_kept"] == 2 * window == len(everything(api, "f-1")["weigh-ins"]) + 1
    assert api.load(ndjson(*lines))["state"] == "done"
    assert len(everything(api, "f-1")["weigh-ins"]) == 3 * window - 1
