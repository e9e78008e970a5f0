"""Writes the snapshot of the published contract anew: python tests/api/renew_contract.py, from the repository's root."""

import json
from pathlib import Path

import msgspec

from service.api import calls
from service.api.openapi import document
from service.app import VERSION

told = msgspec.to_builtins(document(calls.operations, VERSION))
text = json.dumps(told, indent=1, ensure_ascii=False, sort_keys=True) + "\n"
Path(__file__).with_name("openapi.json").write_text(text, encoding="utf-8")
