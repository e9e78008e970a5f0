"""README's first call is run as it is printed, and what README shows of the answer is in today's answer."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import service
from tests.support.world import World

README = (Path(service.__file__).parent.parent / "README.md").read_text(encoding="utf-8")


def members(value: Any) -> Iterator[tuple[str, Any]]:
    """Every member of every object in a document, with its value."""
    if isinstance(value, dict):
        for name, part in value.items():
            yield name, part
            yield from members(part)
    elif isinstance(value, list):
        for part in value:
            yield from members(part)


def shown(value: Any, printed: Any) -> bool:
    """Whether a value is printed so; a text that ends in … shows its beginning."""
    if isinstance(printed, str) and printed.endswith("…"):
        return isinstance(value, str) and value.startswith(printed.removesuffix("…"))
    return type(value) is type(printed) and bool(value == printed)


def test_the_first_call_is_answered_as_printed(world: World) -> None:
    call = re.search(r"curl -sS http://127.0.0.1:8600(\S+) .*? -d '(\{.*?\})'\n", README, re.DOTALL)
    assert call is not None
    answer = world.client.post(call[1], content=call[2], headers={"Content-Type": "application/json"})
    assert answer.status_code == 200
    block = README.split("The answer, shortened:")[1].split("`outcome` is")[0]
    printed = re.findall(r'"(\w+)": ("[^"]*"|-?[\d.]+|true|false|null|\[\])', " ".join(block.split()))
    assert len(printed) > 30
    found = list(members(answer.json()))
    missing = [
        (name, text)
        for name, text in printed
        if not any(name == member and shown(value, json.loads(text)) for member, value in found)
    ]
    assert missing == []
