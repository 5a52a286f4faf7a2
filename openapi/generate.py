"""Write openapi.json beside this file, from the app: `python openapi/generate.py`."""

import json
from pathlib import Path

from service.main import create_app
from service.settings import Settings

FILE = Path(__file__).with_name("openapi.json")


def document() -> str:
    """The OpenAPI document as it is checked in."""
    return json.dumps(create_app(Settings()).openapi(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    FILE.write_text(document(), encoding="utf-8")
