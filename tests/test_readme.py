"""The README as a newcomer reads it: its commands run in a shell against a real server, its calls are of the schema."""

import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.conftest import LiveServer, run_steelyard

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCUMENT = json.loads((ROOT / "openapi/openapi.json").read_text(encoding="utf-8"))
BLOCKS = re.findall(r"^```\w*\n(.*?)^```", README, re.DOTALL | re.MULTILINE)
SESSIONS = [block for block in BLOCKS if block.startswith("$ ")]
COMMAND = re.compile(r"^\$ ((?:.*\\\n)*.*)\n((?:(?!\$ ).*\n)*)", re.MULTILINE)
IN_A_TABLE = re.compile(r"`(GET|POST|PUT|PATCH|DELETE) (/v1/[^`?]*|…/[^`?]*)(?:\?([^`]*))?`(?: `(\{.*?\})`)?")


def commands(block: str) -> list[tuple[str, str]]:
    """Each command of a block and what the README says that it prints."""
    return COMMAND.findall(block)


def agrees(told: Any, found: Any) -> bool:
    """Whether what is told is part of what was found; … may be anything."""
    if isinstance(told, dict):
        return all(name in found and agrees(value, found[name]) for name, value in told.items())
    if isinstance(told, list):
        return len(told) <= len(found) and all(map(agrees, told, found))
    return told == "…" or told == found


def told_json(text: str) -> Any:
    """JSON as the README prints it: `…` as a value is anything, `, …` at the end of an object is the rest of it."""
    return json.loads(re.sub(r",\s*…(?=\s*[}\]])", "", text))


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as `deploy/run --once` leaves it: an embedded database with the invented practice, and its key."""
    folder = tmp_path_factory.mktemp("clone")
    (folder / ".data").mkdir()
    url = f"sqlite:///{folder}/.data/steelyard.db"
    run_steelyard(url, "migrate")
    run_steelyard(url, "demo", "--once")
    return folder


@pytest.mark.engines("sqlite")
def test_the_sessions_run_as_they_stand(
    home: Path, live_server: Callable[..., LiveServer], database_engine: str
) -> None:
    """In one shell, from the first to the last; where an answer is shown, what came is held against it."""
    if shutil.which("curl") is None:
        pytest.skip("the README's calls are for curl, and there is none here")
    server = live_server(f"sqlite:///{home}/.data/steelyard.db")
    script, shown = ["set -euo pipefail", "unset http_proxy https_proxy"], []
    for block in SESSIONS:
        for command, answer in commands(block):
            if command.startswith("cat ") and answer:
                (home / command.split()[1]).write_text(answer, encoding="utf-8")
                continue
            script += [f"printf '\\n== {len(shown)}\\n'", command.replace("http://127.0.0.1:8000", server.url)]
            shown.append((command, answer))
    assert len(shown) >= 6
    done = subprocess.run(
        ["bash", "-c", "\n".join(script)], cwd=home, env={"PATH": os.environ["PATH"]}, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr
    printed = re.split(r"^== \d+\n", done.stdout, flags=re.MULTILINE)[1:]
    for (command, answer), output in zip(shown, printed, strict=True):
        if answer.strip():
            assert agrees(told_json(answer), json.loads(output)), f"{command}\nprinted\n{output}"
        elif "curl" in command:
            assert "/problems/" not in output, f"{command}\nprinted\n{output}"


def of_the_schema(method: str, path: str) -> dict[str, Any]:
    """The operation of a call as the README writes it; … stands for what was said before it."""
    pattern = re.escape(path.replace("…", "§")).replace("§", r".*")
    pattern = re.sub(r"\\\{\w+\\\}", r"\\{\\w+\\}", pattern)
    matches = [
        item[method.lower()]
        for known, item in DOCUMENT["paths"].items()
        if re.fullmatch(pattern, known) and method.lower() in item
    ]
    assert len(matches) == 1, f"{method} {path} is {len(matches)} operations"
    operation: dict[str, Any] = matches[0]
    return operation


@pytest.mark.parametrize(("method", "path", "query", "body"), IN_A_TABLE.findall(README), ids=lambda part: part[:60])
def test_the_calls_named_are_of_the_schema(method: str, path: str, query: str, body: str) -> None:
    operation = of_the_schema(method, path)
    named = {parameter["name"] for parameter in operation.get("parameters", ())}
    assert {pair.split("=")[0] for pair in query.split("&") if pair} <= named
    if not body:
        return
    schema = operation["requestBody"]["content"]["application/json"]["schema"]
    jsonschema.validate(json.loads(body.replace('"…"', '"a note"')), {**schema, "components": DOCUMENT["components"]})


def test_the_table_of_a_week_is_read_at_all() -> None:
    assert len(IN_A_TABLE.findall(README)) > 12
