"""Renews the pins: `python -m tests.rules.pinned.renew`. Say in CHANGELOG.md which answers changed, and why."""

import json
from pathlib import Path

from tests.rules.pinned.answers import cases, digest

if __name__ == "__main__":
    Path(__file__).with_name("pins.json").write_text(
        json.dumps({name: digest(answers()) for name, answers in cases()}, indent=1) + "\n"
    )
