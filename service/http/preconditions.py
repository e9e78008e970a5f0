"""Entity tags: whether a request may change what is there (`If-Match`), and whether the caller has it already (`If-None-Match`).

A record's tag is its version, such as `"3"`; that of a published document or a report is a digest. An answer that is sent compressed has
another tag (RFC 9110, 8.8.3): the same with `-gzip` at its end. Both name the same content, so `If-None-Match` understands both.
"""

import hashlib
import re
from typing import Final

from msgspec import Struct

from service.problems import problem

TAGS: Final = r'(\*|(W/)?"[!#-~\x80-\xff]*"([ \t]*,[ \t]*(W/)?"[!#-~\x80-\xff]*")*)'
"""What `If-Match` and `If-None-Match` hold (RFC 9110, 13.1.1 and 13.1.2): `*`, or entity tags with commas between."""
GZIP: Final = "-gzip"
_HEADER: Final = re.compile(TAGS)
_TAG: Final = re.compile(r'(W/)?"([!#-~\x80-\xff]*)"')
_VERSION: Final = re.compile(r"[0-9]{1,18}")


class IfMatch(Struct, frozen=True, kw_only=True):
    """Which versions of a record a change is meant for; `versions` is None for `*`: whichever is there."""

    versions: frozenset[int] | None

    def version(self, current: int) -> int:
        """The current version, where the change is meant for it; ProblemError `stale`, with the current tag, where it is not."""
        if self.versions is not None and current not in self.versions:
            raise problem("version_changed", current_version=current)
        return current


def read_if_match(header: str | None) -> IfMatch:
    """What `If-Match` says; ProblemError `match-required` without one, `malformed` where it holds no entity tags."""
    if header is None:
        raise problem("match_missing")
    tags = _tags("If-Match", header)
    if tags is None:
        return IfMatch(versions=None)
    # A weak tag never matches: If-Match compares strongly.
    strong = [tag for weak, tag in tags if not weak]
    return IfMatch(versions=frozenset(int(tag) for tag in strong if _VERSION.fullmatch(tag)))


def known_tag(header: str, tag: str) -> str | None:
    """The tag under which the caller has the representation that has this tag, by its `If-None-Match`; None where it does not have it.

    A header that holds no entity tags is ignored: what is answered is the same as without it.
    """
    if not _HEADER.fullmatch(header.strip(" \t")):
        return None
    tags = _tags("If-None-Match", header)
    if tags is None:
        return tag
    # If-None-Match compares weakly.
    same = [sent for _, sent in tags if sent.removesuffix(GZIP) == tag.strip('"')]
    return f'"{same[0]}"' if same else None


def tag_of(content: bytes) -> str:
    """A strong tag: the digest of what is sent."""
    return f'"{hashlib.sha256(content).hexdigest()[:32]}"'


def _tags(name: str, header: str) -> list[tuple[str, str]] | None:
    """The tags of a header, each with `W/` where it is weak; None for `*`."""
    text = header.strip(" \t")
    if not _HEADER.fullmatch(text):
        raise problem("tag_malformed", header=name)
    return None if text == "*" else _TAG.findall(text)
