"""Documents in: strict, and with all their faults named.

A good document is decoded once, straight into its struct. Only a bad one is walked: member by member against the struct's own
description, each leaf tried by itself, so that the answer lists every fault with its pointer and not just the first. Every check adds to
the same `Faults`, which ends the search when it is full: whoever sends nothing but faults must not keep others waiting.
"""

import json
import re
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import msgspec
from msgspec import UnsetType

from rules.errors import RulesError
from service.faults import ROOT, Faults, Path
from service.plain_text import may_have_controls, text_fault
from service.problems import MOST_FAULTS, Fault, ProblemError, cut

T = TypeVar("T")
Needs = Mapping[str, tuple[str, str]]
"""What a struct says under `needs`: beside which member which other one must be told, and what to do where it is not."""

_EXACT = 2**53
"""Below this every whole number is exact in a float (IEEE 754)."""
_CHUNK = 256
"""So many items of a list are tried together before each is tried by itself."""
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
        document = _with_whole_numbers(shape, body)
    if _may_repeat(document, body) or may_have_controls(body):
        faults = Faults()
        with faults.until_full():
            _find_repeated(body, faults)
            if may_have_controls(body):
                _find_controls(msgspec.json.decode(body), shape, ROOT, faults)
        if faults.listed:
            raise malformed(faults)
    return cast("T", document)


def _with_whole_numbers(shape: type[T], body: bytes) -> T:
    """The body as `shape` where only a whole number written as 1.0 kept it from being one; ProblemError with all its faults otherwise.

    JSON Schema 2020-12, Validation, 6.1.1: a number without a fractional part is an integer, however it is written.
    """
    with suppress(msgspec.DecodeError, msgspec.ValidationError, UnicodeDecodeError, RecursionError):
        raw = msgspec.json.decode(body)
        return msgspec.convert(_whole(raw), shape)
    raise malformed(faults_of(shape, body))


def _whole(value: Any) -> Any:
    """The value with each whole number an integer."""
    if isinstance(value, dict):
        return {name: _whole(part) for name, part in value.items()}
    if isinstance(value, list):
        return [_whole(part) for part in value]
    return int(value) if isinstance(value, float) and value.is_integer() and abs(value) < _EXACT else value


def convert(shape: type[T], values: dict[str, Any]) -> T:
    """Query parameters (all strings) as `shape`; ProblemError with all faults where they are not."""
    faults = Faults()
    with faults.until_full():
        _find_controls(values, shape, ROOT, faults)
    if faults.listed:
        raise malformed(faults)
    try:
        return msgspec.convert(values, shape, strict=False)
    except msgspec.ValidationError:
        with faults.until_full():
            _walk(values, shape, ROOT, faults, strict=False)
        raise malformed(faults) from None


def malformed(faults: Faults) -> ProblemError:
    """The problem that lists these faults."""
    listed = faults.listed
    if len(listed) == 1:
        return ProblemError("malformed", listed[0].detail, listed)
    count = (
        f"more than {len(listed)} faults; `errors` lists the first {len(listed)}"
        if faults.more
        else f"{len(listed)} faults; see `errors`"
    )
    return ProblemError("malformed", f"There are {count}.", listed, more=faults.more)


def from_rules(error: RulesError, code: str = "malformed") -> ProblemError:
    """A refusal of the rules core as a problem, with all that it found."""
    also = error.also[: MOST_FAULTS - 1]
    faults = [Fault(pointer=found.pointer, detail=found.message) for found in (error, *also)]
    return ProblemError(code, " ".join(fault.detail for fault in faults), faults, more=len(also) < len(error.also))


def faults_of(shape: type[Any], body: bytes) -> Faults:
    """Every fault of a body that did not decode as `shape`, up to the bound."""
    faults = Faults()
    try:
        raw = msgspec.json.decode(body)
    except RecursionError:
        raise too_deep() from None
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        faults.add(ROOT, f"This is not JSON in UTF-8: {error}.")
        return faults
    with faults.until_full():
        _walk(raw, shape, ROOT, faults, strict=True)
        if may_have_controls(body):
            _find_controls(raw, shape, ROOT, faults)
    if not faults.listed:
        # What only the decoder sees (a repeated member, say) is reported in its own words.
        try:
            msgspec.json.decode(body, type=shape)
        except msgspec.DecodeError as error:
            faults.add(ROOT, _plain(error))
    return faults


def _may_repeat(document: Any, body: bytes) -> bool:
    """Whether an object in the body may have a name twice: the decoder takes the last value and loses the other without a word.

    A member is a quoted name and a colon. Where no text has a quotation mark in it, and the body has as many of those as the document that
    was made of it, no member was lost.
    """
    return (
        b"\\" in body
        # A pattern is dear, and most bodies have neither lines nor a blank before a colon.
        or ((b" :" in body or b"\n" in body or b"\t" in body or b"\r" in body) and _SPACED_COLON.search(body) is not None)
        or body.count(b'":') != msgspec.json.encode(document).count(b'":')
    )


def _find_repeated(body: bytes, faults: Faults) -> None:
    """Find names that one object has twice."""

    def look(members: list[tuple[str, Any]]) -> None:
        if len(dict(members)) == len(members):
            return
        seen: set[str] = set()
        reported: set[str] = set()
        for name, _ in members:
            if name in seen and name not in reported:
                reported.add(name)
                faults.add(ROOT, f"The field `{cut(name)}` is in one object more than once; send it once.")
            seen.add(name)

    try:
        json.loads(body, object_pairs_hook=look, parse_int=str)
    except RecursionError:
        raise too_deep() from None


def too_deep() -> ProblemError:
    """The problem of a document nested deeper than any of ours."""
    faults = Faults()
    faults.add(ROOT, "The document is nested too deeply; send it as the contract shows.")
    return malformed(faults)


def _walk(value: Any, shape: Any, path: Path, faults: Faults, *, strict: bool) -> None:
    """Find what is wrong with a value, and with what is in it."""
    bare = _bare(shape)
    if (wrong := _leaf(value, shape, strict=strict)) is None:
        return
    before = len(faults.listed)
    if get_origin(bare) in (Union, UnionType):
        _walk_union(value, [choice for choice in get_args(bare) if choice is not UnsetType], path, faults, strict=strict)
    elif isinstance(value, dict) and _is_struct(bare):
        _walk_struct(value, bare, path, faults, strict=strict)
    elif isinstance(value, list) and get_origin(bare) in (list, tuple):
        _walk_list(value, get_args(bare)[0], path, faults, strict=strict)
    elif isinstance(value, dict) and get_origin(bare) is dict:
        names, inner = get_args(bare)
        for name, item in value.items():
            if (wrong_name := _leaf(name, names, strict=strict)) is not None:
                faults.add((path, name), wrong_name)
            _walk(item, inner, (path, name), faults, strict=strict)
    if len(faults.listed) == before:
        faults.add(path, wrong)


def _walk_list(value: list[Any], shape: Any, path: Path, faults: Faults, *, strict: bool) -> None:
    """Most items of a long list may be good; those are passed over many at a time."""
    for start in range(0, len(value), _CHUNK):
        chunk = value[start : start + _CHUNK]
        if _leaf(chunk, list[shape], strict=strict) is not None:
            for index, item in enumerate(chunk, start):
                _walk(item, shape, (path, str(index)), faults, strict=strict)


def _walk_union(value: Any, shapes: list[Any], path: Path, faults: Faults, *, strict: bool) -> None:
    structs = [bare for choice in shapes if _is_struct(bare := _bare(choice))]
    if isinstance(value, dict) and len(structs) > 1:
        field = structs[0].__struct_config__.tag_field
        tags = {struct.__struct_config__.tag: struct for struct in structs}
        if field not in value:
            faults.add(path, f"The field `{field}` is missing; send one of {_listed(tags)}.")
            return
        chosen = tags.get(value[field]) if isinstance(value[field], str) else None
        if chosen is None:
            faults.add((path, field), f"Send one of {_listed(tags)} as `{field}`.")
            return
        _walk_struct(value, chosen, path, faults, strict=strict)
        return
    others = [choice for choice in shapes if choice is not NoneType]
    if len(others) == 1 and value is not None:
        _walk(value, others[0], path, faults, strict=strict)
    elif (wrong := _leaf(value, Union[tuple(shapes)], strict=strict)) is not None:  # noqa: UP007 - built from a list
        faults.add(path, wrong)


def _walk_struct(value: dict[str, Any], shape: Any, path: Path, faults: Faults, *, strict: bool) -> None:
    hints = _hints(shape)
    fields = {field.encode_name: field for field in msgspec.structs.fields(shape)}
    before = len(faults.listed)
    if shape.__struct_config__.forbid_unknown_fields:
        known = _listed(fields)
        for name in value:
            if name not in fields and name != shape.__struct_config__.tag_field:
                faults.add((path, name), f"Unknown field `{cut(name)}`. The fields here are {known}.")
    for name, field in fields.items():
        if name in value:
            _walk(value[name], hints[field.name], (path, name), faults, strict=strict)
        elif field.required:
            faults.add((path, name), f"The field `{name}` is missing.")
    for name, (needed, detail) in getattr(shape, "needs", {}).items():
        if name in value and needed not in value:
            faults.add((path, needed), detail)
    if len(faults.listed) == before and (wrong := _leaf(value, shape, strict=strict)) is not None:
        faults.add(path, wrong)


def _leaf(value: Any, shape: Any, *, strict: bool) -> str | None:
    """What is wrong with a value, in a sentence; None where it is good."""
    try:
        msgspec.convert(value, shape, strict=strict)
    except msgspec.ValidationError as error:
        bare = _bare(shape)
        return f"Send one of {_listed(get_args(bare))}." if get_origin(bare) is Literal else _plain(error)
    return None


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


def _find_controls(value: Any, shape: Any, path: Path, faults: Faults) -> None:
    """Find texts, and names, with a character in them that no text of their type may have."""
    try:
        _with_controls(value, shape, path, faults)
    except RecursionError:
        raise too_deep() from None


def _with_controls(value: Any, shape: Any, path: Path, faults: Faults) -> None:
    if isinstance(value, str):
        if (wrong := text_fault(value, shape)) is not None:
            faults.add(path, wrong)
    elif isinstance(value, dict):
        inner = _shapes_in(shape)
        for name, item in value.items():
            if (wrong := text_fault(name, str)) is not None:
                faults.add((path, name), wrong)
            _with_controls(item, inner.get(name, inner.get(None)), (path, name), faults)
    elif isinstance(value, list):
        items = _shapes_in(shape).get(None)
        for index, item in enumerate(value):
            # Most items are numbers and good texts; only what has something in it costs a path.
            if isinstance(item, (dict, list)) or (isinstance(item, str) and text_fault(item, items) is not None):
                _with_controls(item, items, (path, str(index)), faults)


@cache
def _shapes_in(shape: Any) -> dict[str | None, Any]:
    """The types of what is in a value of a type: of a struct by field, of a list or a plain object under None."""
    bare = _bare(shape)
    if _is_struct(bare):
        hints = _hints(bare)
        return {field.encode_name: hints[field.name] for field in msgspec.structs.fields(bare)}
    arguments = get_args(bare)
    if get_origin(bare) in (Union, UnionType):
        return {name: inner for argument in reversed(arguments) for name, inner in _shapes_in(argument).items()}
    return {None: arguments[-1] if get_origin(bare) is dict else arguments[0]} if get_origin(bare) in (list, tuple, dict) else {}
