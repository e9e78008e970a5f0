"""The contract as it is served: a file that is renewed on purpose, so that each change of it shows in review.

`python -m service.openapi` writes it again from the declared calls; a test holds that the two agree.
"""

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any, Final

PATH: Final = Path(__file__).with_name("contract.json")


@cache
def published() -> bytes:
    """The document, as JSON."""
    return PATH.read_bytes()


@cache
def entity_tag() -> str:
    """The document's strong entity tag (RFC 9110, 8.8.3), from its digest."""
    return f'"{hashlib.sha256(published()).hexdigest()[:32]}"'


def as_text(contract: dict[str, Any]) -> str:
    """A contract as the file holds it."""
    return json.dumps(contract, indent=1, ensure_ascii=False) + "\n"
