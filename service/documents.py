"""Documents in: strict, and with all their faults named.

A good document is decoded once, straight into its struct. Only a bad one is walked: member by member against the struct's own
description, each leaf tried by itself, so that the answer lists every fault with its pointer and not just the first.
"""

import json
import re
from collections.abc import Iterable, Mapping
from functools import cache
from itertools import islice
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import msgspec
from msgspec import UnsetType

from rules.errors import RulesError
from service.problems import Fault, ProblemError

T = TypeVar("T")
Needs = Mapping[str, tuple[str, str]]
"""What a struct says under `needs`: beside which member which other one must be told, and what to do where it is not."""

MOST_FAULTS = 100
"""So many are listed."""
MOST_FOUND = 1_000
"""So many are looked for: who sends nothing but faults shall not keep others waiting."""
_NUL_ESCAPE = b"\\u0000"
_DECODERS: dict[Any, msgspec.json.Decoder[Any]] = {}
_SPACED_COLON = re.compile(rb'"\s+:')
_PATH = re.compile(r" - at `[^`]*`$")


def decode(shape: type[T], body: bytes) -> T:
    """The JSON body as `shape`; ProblemError `malformed` with all its faults where it is not."""
    decoder = _DECODERS.get(shape)
    if decoder is None:
        decoder = _DECODERS[shape] = msgspec.json.Decoder(shape)
    try:
        document = decoder.decode(body)
    except RecursionError:
        raise too_deep() from None
    except (msgspec.DecodeError, UnicodeDecodeError):
        raise malformed(faults_of(shape, body)) from None
    if faults := _doubled(document, body):
        raise malformed(faults)
    if b"\\" in body and _NUL_ESCAPE in body and (faults := _nul_faults(msgspec.json.decode(body), "")):
        raise malformed(faults)
    return cast("T", document)


def convert(shape: type[T], values: dict[str, Any]) -> T:
    """Query parameters (all strings) as `shape`; ProblemError with all faults where they are not."""
    if faults := _nul_faults(values, ""):
        raise malformed(faults)
    try:
        return msgspec.convert(values, shape, strict=False)
    except msgspec.ValidationError:
        raise malformed(_walk(values, shape, "", strict=False)) from None


def malformed(faults: list[Fault]) -> ProblemError:
    """The problem that lists these faults."""
    count = len(faults)
    if count == 1:
        return ProblemError("malformed", faults[0].detail, faults)
    shown = faults[:MOST_FAULTS]
    more = f", of which the first {MOST_FAULTS} are listed" if count > MOST_FAULTS else ""
    told = f"{count} faults" if count < MOST_FOUND else f"{MOST_FOUND} faults and more"
    return ProblemError("malformed", f"There are {told}{more}; see `errors`.", shown)


def from_rules(error: RulesError, code: str = "malformed") -> ProblemError:
    """A refusal of the rules core as a problem, with all that it found."""
    faults = [Fault(pointer=one.pointer, detail=one.message) for one in (error, *error.also)]
    return ProblemError(code, " ".join(fault.detail for fault in faults), faults)


def faults_of(shape: type[Any], body: bytes) -> list[Fault]:
    """Every fault of a body that did not decode as `shape`."""
    try:
        raw = msgspec.json.decode(body)
    except RecursionError:
        raise too_deep() from None
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        return [Fault(pointer="", detail=f"This is not JSON in UTF-8: {error}.")]
    faults = _walk(raw, shape, "", strict=True) + _nul_faults(raw, "")
    if not faults:
        # What only the decoder sees (a repeated member, say) is told in its own words.
        try:
            msgspec.json.decode(body, type=shape)
        except msgspec.DecodeError as error:
            faults = [Fault(pointer="", detail=_plain(error))]
    return faults


def _doubled(document: Any, body: bytes) -> list[Fault]:
    """Members that stand twice in one object: the decoder would take the last and lose the other without a word."""
    faults: list[Fault] = []

    def look(members: list[tuple[str, Any]]) -> None:
        names = [name for name, _ in members]
        if len(set(names)) != len(names):
            twice = sorted({name for name in names if names.count(name) > 1})
            faults.extend(
                Fault(pointer="", detail=f"The member `{name}` stands more than once in one object; say it once.")
                for name in twice
            )

    try:
        # A member is a quoted name and a colon. Where no text holds a quotation mark, and the body has as many of those as the document
        # that was made of it, no member was lost; otherwise each object is looked at by itself.
        if (
            b"\\" in body
            # A pattern is dear, and most bodies have neither lines nor a blank before a colon.
            or ((b" :" in body or b"\n" in body or b"\t" in body or b"\r" in body) and _SPACED_COLON.search(body) is not None)
            or body.count(b'":') != msgspec.json.encode(document).count(b'":')
        ):
            json.loads(body, object_pairs_hook=look, parse_int=str)
    except RecursionError:
        raise too_deep() from None
    return faults


def too_deep() -> ProblemError:
    """The problem of a document nested deeper than any of ours."""
    return malformed([Fault(pointer="", detail="The document is nested too deep to be one of ours.")])


def _walk(value: Any, shape: Any, pointer: str, *, strict: bool) -> list[Fault]:
    bare = _bare(shape)
    if not (faults := _leaf(value, shape, pointer, strict=strict)):
        return []
    if get_origin(bare) in (Union, UnionType):
        return _walk_union(value, [one for one in get_args(bare) if one is not UnsetType], pointer, strict=strict)
    if isinstance(value, dict) and _is_struct(bare):
        return _walk_struct(value, bare, pointer, strict=strict)
    items: Iterable[tuple[str, Any]] = ()
    if isinstance(value, list) and get_origin(bare) in (list, tuple):
        items = ((f"{pointer}/{index}", item) for index, item in enumerate(value))
    elif isinstance(value, dict) and get_origin(bare) is dict:
        items = ((_under(pointer, key), item) for key, item in value.items())
    inner: list[Fault] = []
    for where, item in items:
        inner += _walk(item, get_args(bare)[-1 if isinstance(value, dict) else 0], where, strict=strict)
        if len(inner) >= MOST_FOUND:
            break
    return inner or faults


def _walk_union(value: Any, shapes: list[Any], pointer: str, *, strict: bool) -> list[Fault]:
    structs = [bare for one in shapes if _is_struct(bare := _bare(one))]
    if isinstance(value, dict) and len(structs) > 1:
        field = structs[0].__struct_config__.tag_field
        tags = {one.__struct_config__.tag: one for one in structs}
        if field not in value:
            return [Fault(pointer=pointer, detail=f"The member `{field}` is missing; it is one of {_listed(tags)}.")]
        chosen = tags.get(value[field]) if isinstance(value[field], str) else None
        if chosen is None:
            return [Fault(pointer=_under(pointer, field), detail=f"`{field}` is one of {_listed(tags)}.")]
        return _walk_struct(value, chosen, pointer, strict=strict)
    others = [one for one in shapes if one is not NoneType]
    if len(others) == 1 and value is not None:
        return _walk(value, others[0], pointer, strict=strict)
    return _leaf(value, Union[tuple(shapes)], pointer, strict=strict)  # noqa: UP007 - built from a list


def _walk_struct(value: dict[str, Any], shape: Any, pointer: str, *, strict: bool) -> list[Fault]:
    hints = _hints(shape)
    fields = {field.encode_name: field for field in msgspec.structs.fields(shape)}
    tag_field = shape.__struct_config__.tag_field
    faults = [
        Fault(pointer=_under(pointer, name), detail=f"There is no member `{name}` here; the members are {_listed(fields)}.")
        for name in islice(value, MOST_FOUND)
        if name not in fields and name != tag_field and shape.__struct_config__.forbid_unknown_fields
    ]
    for name, field in fields.items():
        if name in value:
            faults += _walk(value[name], hints[field.name], _under(pointer, name), strict=strict)
        elif field.required:
            faults.append(Fault(pointer=_under(pointer, name), detail=f"The member `{name}` is missing."))
    faults += [
        Fault(pointer=_under(pointer, needed), detail=detail)
        for name, (needed, detail) in getattr(shape, "needs", {}).items()
        if name in value and needed not in value
    ]
    return faults or _leaf(value, shape, pointer, strict=strict)


def _leaf(value: Any, shape: Any, pointer: str, *, strict: bool) -> list[Fault]:
    try:
        msgspec.convert(value, shape, strict=strict)
    except msgspec.ValidationError as error:
        if get_origin(_bare(shape)) is Literal:
            return [Fault(pointer=pointer, detail=f"This is one of {_listed(get_args(_bare(shape)))}.")]
        return [Fault(pointer=pointer, detail=_plain(error))]
    return []


@cache
def _hints(shape: Any) -> dict[str, Any]:
    """The annotations of a struct, resolved."""
    return get_type_hints(shape, include_extras=True)


def _bare(shape: Any) -> Any:
    """The annotation without its bounds."""
    return get_args(shape)[0] if get_origin(shape) is Annotated else shape


def _is_struct(shape: Any) -> bool:
    return isinstance(shape, type) and issubclass(shape, msgspec.Struct)


def _plain(error: Exception) -> str:
    text = _PATH.sub("", str(error))
    return text if text.endswith(".") else text + "."


def _listed(names: Any) -> str:
    return ", ".join(f"`{name}`" for name in names)


def _under(pointer: str, member: str) -> str:
    return f"{pointer}/{member.replace('~', '~0').replace('/', '~1')}"


def _nul_faults(value: Any, pointer: str) -> list[Fault]:
    try:
        return _with_nul(value, pointer)
    except RecursionError:
        raise too_deep() from None


def _with_nul(value: Any, pointer: str) -> list[Fault]:
    if isinstance(value, str):
        return (
            [Fault(pointer=pointer, detail="The text holds a NUL character, which cannot be kept; leave it out.")]
            if "\0" in value
            else []
        )
    if isinstance(value, dict):
        return [
            fault
            for key, item in value.items()
            for fault in [*_with_nul(key, _under(pointer, key)), *_with_nul(item, _under(pointer, key))]
        ]
    if isinstance(value, list):
        return [fault for index, item in enumerate(value) for fault in _with_nul(item, f"{pointer}/{index}")]
    return []
