"""The examples of the contract: one request and one answer a call, made by running it (tests/support/examples.py)."""

import json
from functools import cache
from pathlib import Path
from typing import Any, Final

PATH: Final = Path(__file__).with_name("examples.json")


@cache
def examples() -> dict[str, Any]:
    """The example of each call, by its operation id; none where they have not been made yet."""
    return dict(json.loads(PATH.read_text(encoding="utf-8"))) if PATH.exists() else {}


def add_request(operation: str, described: dict[str, Any]) -> None:
    """Add what was sent to a described call: its parameters and its body."""
    request = examples().get(operation, {}).get("request", {})
    for parameter in described.get("parameters", ()):
        sent = request.get({"header": "headers"}.get(parameter["in"], parameter["in"]), {})
        if parameter["name"] in sent:
            parameter["example"] = sent[parameter["name"]]
    if "body" in request:
        media = next(iter(described["requestBody"]["content"].values()))
        media["example"] = request["body"]


def add_answer(operation: str, responses: dict[str, Any]) -> None:
    """Add what was answered to the response of its status and media type."""
    answer = examples().get(operation, {}).get("answer", {})
    media = responses.get(str(answer.get("status")), {}).get("content", {}).get(answer.get("media_type"))
    if media is not None:
        media["example"] = answer["body"]
