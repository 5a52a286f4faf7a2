"""One form for answers from before and after: what may differ is named here, and nothing else is.

Names are brought back to those of the stored digest, so that adding one here needs no new digest.
"""

import hashlib
import re
from collections.abc import Mapping
from typing import Any

import orjson

RENAMED: dict[str, str] = {}  # new name: name in the stored digest. Keys, values, and whole words of sentences.
LEFT_OUT = {
    "thresholds", "source",  # of findings: what they list may change
    "inputs_digest", "engine_version",  # hashes and versions of what is renamed
    "created_at", "updated_at", "made_at", "decided_at", "answered_at", "started_at", "ended_at",  # when, not what
    "id", "review_id", "key_id", "athlete_id", "policy_id", "against_policy_id",  # random
}  # fmt: skip

_ID = re.compile(r"\b[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}\b")


def normal(value: Any) -> Any:
    """The answer in the form that is compared: a plain tree with old names, without what may differ."""
    if isinstance(value, Mapping):
        return {text(str(name)): normal(part) for name, part in value.items() if name not in LEFT_OUT}
    if isinstance(value, list | tuple):
        return [normal(part) for part in value]
    return text(value) if isinstance(value, str) else value


def text(words: str) -> str:
    """A word or sentence with old names; ids are random and all alike."""
    names = "|".join(map(re.escape, sorted(RENAMED, key=len, reverse=True)))
    if names:
        words = re.sub(rf"(?<!\w)({names})(?!\w)", lambda found: RENAMED[found[0]], words)
    return _ID.sub("<id>", words)


def digest(body: Any) -> str:
    """The first 32 hexadecimal digits of the SHA-256 of a normal form, floats as they were printed."""
    return hashlib.sha256(orjson.dumps(body, option=orjson.OPT_SORT_KEYS)).hexdigest()[:32]


def differences(before: Any, after: Any, at: str = "") -> list[str]:
    """Where two normal forms differ, as lines `path: before → after`."""
    if isinstance(before, dict) and isinstance(after, dict):
        names = [*before, *(name for name in after if name not in before)]
        parts = [(f"{at}/{name}", before.get(name, "<nothing>"), after.get(name, "<nothing>")) for name in names]
        return [line for path, one, other in parts for line in differences(one, other, path)]
    if isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        return [
            line
            for index, (one, other) in enumerate(zip(before, after, strict=True))
            for line in differences(one, other, f"{at}/{index}")
        ]
    return [] if before == after and type(before) is type(after) else [f"{at}: {before!r} → {after!r}"]
