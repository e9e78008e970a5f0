"""What a name may be made of: no control characters, and nothing that turns the direction of what is written after it.

A name with such a character in it looks like another name, breaks a list into lines, or turns a page round. A type that says `PLAIN` is
looked at when a document comes in, and not when a record is read: what was registered before stays readable.
"""

import re
from typing import Annotated, Any, Final, get_args, get_origin

from msgspec import Meta

# Control characters (general category Cc), line and paragraph separators, and the characters with the property Bidi_Control (Unicode
# Standard Annex 9, section 2).
_NOT_PLAIN: Final = r"\u0000-\u001f\u007f-\u009f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069"
PLAIN: Final = Meta(extra={"text": "plain"}, extra_json_schema={"pattern": f"^[^{_NOT_PLAIN}]*$"})
"""Marks the type of a name: `Annotated[str, PLAIN]`."""
WRITTEN: Final = r"[^\s\u0000-\u001f\u0085\ufeff]"
"""The pattern of a text with something written in it; spelled out because `\\s` means other characters in ECMA-262 than in Python."""
_FOUND: Final = re.compile(f"[{_NOT_PLAIN}]")
# The same as they stand in JSON in UTF-8: control characters are escaped there, so a backslash calls for a look.
_SUSPECT: Final = re.compile(rb"[\\\x7f]|\xc2[\x80-\x9f]|\xd8\x9c|\xe2\x80[\x8e\x8f\xa8-\xae]|\xe2\x81[\xa6-\xa9]")


def may_have_controls(body: bytes) -> bool:
    """Whether it is worth looking into the texts of a JSON body."""
    return _SUSPECT.search(body) is not None


def text_fault(text: str, shape: Any) -> tuple[str, dict[str, str]] | None:
    """What is wrong with the characters of a text of that type, as the code and parameters of a fault; None if nothing is."""
    if "\0" in text:
        return "nul_in_text", {}
    found = _FOUND.search(text) if _is_plain(shape) else None
    if found is None:
        return None
    if found[0] in "\t\n\r\u2028\u2029":
        return "line_break_in_text", {}
    return "control_in_text", {"character": f"U+{ord(found[0]):04X}"}


def _is_plain(shape: Any) -> bool:
    """Whether a type, or a choice of its union, says `PLAIN`."""
    if get_origin(shape) is Annotated:
        return PLAIN in shape.__metadata__
    return not isinstance(shape, type) and any(map(_is_plain, get_args(shape)))
