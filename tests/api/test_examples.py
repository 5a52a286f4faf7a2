"""The examples in openapi/examples, sent as they stand: the answers must be as written."""

import json
import re
import shlex
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.api.conftest import Api

EXAMPLES = sorted((Path(__file__).parents[2] / "openapi" / "examples").glob("*.md"))
ADDRESS = "http://127.0.0.1:8000"
EXAMPLE = re.compile(r"```sh\n(curl .*?)```\n\n(\d{3})\b.*?```json\n(.*?)```", re.DOTALL)


def send(api: Api, command: str, known: dict[str, str]) -> httpx.Response:
    """What curl would send: POST where there is data."""
    for name, value in known.items():
        command = command.replace(f"${name}", value)
    text = re.search(r"\$'(.*?)'", command)  # $'…' of the shell: escapes are read
    command = command.replace(text[0], "TEXT") if text else command
    words = iter(shlex.split(command.replace("\\\n", " "))[1:])
    address, content, headers = "", None, {}
    for word in words:
        if word in ("-H", "--header"):
            name, _, value = next(words).partition(": ")
            headers[name] = value
        elif word in ("-d", "--data-binary"):
            content = next(words)
        elif not word.startswith("-"):
            address = word
    if content == "TEXT" and text is not None:
        content = text[1].encode().decode("unicode_escape")
    assert address.startswith(ADDRESS)
    path = address.removeprefix(ADDRESS)
    return api("GET" if content is None else "POST", f"/{path}", content=content, headers=headers)


def agrees(told: Any, found: Any) -> bool:
    """Whether what is told is part of what was found; … may be anything."""
    if isinstance(told, dict):
        return all(name in found and agrees(value, found[name]) for name, value in told.items())
    if isinstance(told, list):
        return len(told) == len(found) and all(map(agrees, told, found))
    return told == "…" or told == found


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda file: file.stem)
def test_the_examples_answer_as_they_say(api: Api, file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    examples = EXAMPLE.findall(text)
    assert len(examples) == text.count("curl -s") >= 5
    known = {"KEY": api.key or ""}
    for command, status, told in examples:
        answer = send(api, command, known)
        assert answer.status_code == int(status), answer.text
        assert agrees(json.loads(told), answer.json()), answer.text
        if answer.json().get("external_id") and "ATHLETE" not in known:
            known["ATHLETE"] = answer.json()["id"]
