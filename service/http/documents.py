"""Documents in: strict, and with all their faults named.

A good document is decoded once, straight into its struct. Only a bad one is walked: member by member against the struct's own
description, each leaf tried by itself, so that the answer lists every fault with its pointer and not just the first. Every check adds to
the same `Faults`, which ends the search when it is full: whoever sends nothing but faults must not keep others waiting.
"""

import datetime as dt
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
from service.http.faults import ROOT, Faults, Path
from service.http.plain_numbers import MOST_EXTREME, has_many_extreme_numbers
from service.http.plain_text import may_have_controls, text_fault
from service.problems import MOST_FAULTS, ProblemError, Value, problem_of, rules_fault

T = TypeVar("T")
Needs = Mapping[str, tuple[str, str]]
"""What a struct states under `needs`: which member requires which other one, and the code of the fault where that one is missing."""
Wrong = tuple[str, dict[str, Value]]
"""The code and the parameters of a fault."""

_EXACT = 2**53
"""Below this every whole number is exact in a float (IEEE 754)."""
_CHUNK = 256
"""So many items of a list are tried together before each is tried by itself."""
_DECODERS: dict[Any, msgspec.json.Decoder[Any]] = {}
_SPACED_COLON = re.compile(rb'"\s+:')
_PATH = re.compile(r" - at `[^`]*`$")
_JSON_TYPES: Mapping[str, str] = {
    "int": "integer",
    "float": "number",
    "str": "string",
    "bool": "boolean",
    "array": "array",
    "object": "object",
    "null": "null",
    "date": "date",
    "datetime": "date-time",
    "uuid": "id",
}
"""The decoder's names of types, and JSON's."""
_TYPES = re.compile(r"Expected `([^`]+)`, got `([^`]+)`")
_BOUND = re.compile(r"Expected `[^`]+` (>=|<=|>|<) (\S+)")
_LENGTH = re.compile(r"Expected `([^`|]+)[^`]*` of length (>=|<=) (\d+)")
_PATTERN = re.compile(r"Expected `str` matching regex '(.*)'")
_CODES: Mapping[str, str] = {
    "Invalid RFC3339 encoded datetime": "not_a_time",
    "Invalid RFC3339 encoded date": "not_a_date",
    "Invalid UUID": "not_an_id",
    "Expected `datetime` with a timezone component": "offset_missing",
    "Integer value out of range": "out_of_range",
    "Number out of range": "out_of_range",
}
_BOUND_CODES: Mapping[str, tuple[str, str]] = {
    ">=": ("too_small", "at_least"),
    ">": ("not_above", "above"),
    "<=": ("too_large", "at_most"),
    "<": ("not_below", "below"),
}


def decode(shape: type[T], body: bytes) -> T:
    """The JSON body as `shape`; ProblemError `malformed` with all its faults where it is not."""
    decoder = _DECODERS.get(shape)
    if decoder is None:
        decoder = _DECODERS[shape] = msgspec.json.Decoder(shape)
    if has_many_extreme_numbers(body):
        faults = Faults()
        faults.add(ROOT, "many_extreme_numbers", at_most=MOST_EXTREME)
        raise malformed(faults)
    try:
        document = decoder.decode(body)
    except RecursionError:
        raise too_deep() from None
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        if "got `float`" not in str(error):
            raise malformed(faults_of(shape, body)) from None
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
        raw = _whole(msgspec.json.decode(body))
        # What else is wrong is found without them.
        body = msgspec.json.encode(raw)
        return msgspec.convert(raw, shape)
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
    struct = _without_null(cast("Any", shape))
    faults = Faults(in_query=True)
    with faults.until_full():
        _find_controls(values, struct, ROOT, faults)
    if faults.listed:
        raise malformed(faults)
    try:
        result = msgspec.convert(values, struct, strict=False)
    except msgspec.ValidationError:
        with faults.until_full():
            _walk(values, struct, ROOT, faults, strict=False)
        raise malformed(faults) from None
    # Converting takes a number for the seconds since 1970.
    times = [name for name in values if isinstance(getattr(result, name, None), dt.datetime)]
    numbers = [name for name in times if _number(values[name]) is not None]
    with faults.until_full():
        for name in numbers:
            faults.add((ROOT, name), "not_a_time")
    if faults.listed:
        raise malformed(faults)
    return cast("T", result)


@cache
def _without_null(shape: Any) -> Any:
    """The struct of a query string, without null: a parameter is left out or has a value, and the text `null` is not "no value".

    It inherits from `shape`, so what is converted is one of `shape`. The decoder would take any spelling of `null` for None.
    """
    hints = _hints(shape)
    fields = [
        (field.name, _not_null(hints[field.name]), msgspec.field(default=field.default))
        for field in msgspec.structs.fields(shape)
        if _not_null(hints[field.name]) is not hints[field.name]
    ]
    return msgspec.defstruct(shape.__name__, fields, bases=(shape,), frozen=True, kw_only=True, forbid_unknown_fields=True)


def _not_null(hint: Any) -> Any:
    """The annotation without None; itself where it has none."""
    if get_origin(hint) is Annotated:
        bare, *meta = get_args(hint)
        changed = _not_null(bare)
        return hint if changed is bare else Annotated[(changed, *meta)]
    if get_origin(hint) not in (Union, UnionType) or NoneType not in get_args(hint):
        return hint
    return Union[tuple(choice for choice in get_args(hint) if choice is not NoneType)]  # noqa: UP007 - built from a list


def malformed(faults: Faults) -> ProblemError:
    """The problem that lists these faults."""
    return problem_of(faults.listed, more=faults.more)


def from_rules(error: RulesError) -> ProblemError:
    """A refusal of the rules as a problem, with all that they found; its kind is that of the first."""
    also = error.also[: MOST_FAULTS - 1]
    faults = [rules_fault(found) for found in (error, *also)]
    return problem_of(faults, more=len(also) < len(error.also))


def faults_of(shape: type[Any], body: bytes) -> Faults:
    """Every fault of a body that did not decode as `shape`, up to the bound."""
    faults = Faults()
    try:
        raw = msgspec.json.decode(body)
    except RecursionError:
        raise too_deep() from None
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        faults.add(ROOT, "not_json", error=str(error))
        return faults
    with faults.until_full():
        _walk(raw, shape, ROOT, faults, strict=True)
        if may_have_controls(body):
            _find_controls(raw, shape, ROOT, faults)
    if not faults.listed:
        # What only the decoder sees is reported as it says it.
        try:
            msgspec.json.decode(body, type=shape)
        except msgspec.DecodeError as error:
            code, values = _wrong(error)
            faults.add(ROOT, code, **values)
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
                faults.add(ROOT, "field_repeated", name=name)
            seen.add(name)

    try:
        json.loads(body, object_pairs_hook=look, parse_int=str)
    except RecursionError:
        raise too_deep() from None


def too_deep() -> ProblemError:
    """The problem of a document nested deeper than any of ours."""
    faults = Faults()
    faults.add(ROOT, "nested_too_deeply")
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
                faults.add((path, name), wrong_name[0], **wrong_name[1])
            _walk(item, inner, (path, name), faults, strict=strict)
    if len(faults.listed) == before:
        faults.add(path, wrong[0], **wrong[1])


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
            faults.add(path, "type_missing", name=field, available=list(tags))
            return
        chosen = tags.get(value[field]) if isinstance(value[field], str) else None
        if chosen is None:
            faults.add((path, field), "unknown_value", available=list(tags))
            return
        _walk_struct(value, chosen, path, faults, strict=strict)
        return
    others = [choice for choice in shapes if choice is not NoneType]
    if len(others) == 1 and value is not None:
        _walk(value, others[0], path, faults, strict=strict)
    elif (wrong := _leaf(value, Union[tuple(shapes)], strict=strict)) is not None:  # noqa: UP007 - built from a list
        faults.add(path, wrong[0], **wrong[1])


def _walk_struct(value: dict[str, Any], shape: Any, path: Path, faults: Faults, *, strict: bool) -> None:
    hints = _hints(shape)
    fields = {field.encode_name: field for field in msgspec.structs.fields(shape)}
    before = len(faults.listed)
    if shape.__struct_config__.forbid_unknown_fields:
        known = list(fields)
        for name in value:
            if name not in fields and name != shape.__struct_config__.tag_field:
                faults.add((path, name), "unknown_parameter" if faults.in_query else "unknown_field", name=name, available=known)
    for name, field in fields.items():
        if name in value:
            _walk(value[name], hints[field.name], (path, name), faults, strict=strict)
        elif field.required:
            faults.add((path, name), "parameter_missing" if faults.in_query else "field_missing", name=name)
    for name, (needed, code) in getattr(shape, "needs", {}).items():
        if name in value and needed not in value:
            faults.add((path, needed), code)
    either: tuple[str, ...] = getattr(shape, "either", ())
    if either and not any(name in value for name in either):
        faults.add((path, either[0]), "either_missing", available=list(either))
    if len(faults.listed) == before and (wrong := _leaf(value, shape, strict=strict)) is not None:
        faults.add(path, wrong[0], **wrong[1])


def _leaf(value: Any, shape: Any, *, strict: bool) -> Wrong | None:
    """What is wrong with a value; None if nothing is."""
    try:
        msgspec.convert(value, shape, strict=strict)
    except msgspec.ValidationError as error:
        bare = _bare(shape)
        return (
            ("unknown_value", {"available": [str(choice) for choice in get_args(bare)]})
            if get_origin(bare) is Literal
            else _wrong(error)
        )
    return None


def _wrong(error: Exception) -> Wrong:
    """The code and parameters of what the decoder found wrong; `invalid_value` with its own sentence where there is no better code."""
    text = _PATH.sub("", str(error))
    if found := _TYPES.fullmatch(text):
        expected = [_JSON_TYPES.get(name, "value") for name in found[1].split(" | ")]
        return "wrong_type", {"expected": expected, "found": _JSON_TYPES.get(found[2], "value")}
    if (found := _BOUND.fullmatch(text)) and (bound := _number(found[2])) is not None:
        code, name = _BOUND_CODES[found[1]]
        return code, {name: bound}
    if (found := _LENGTH.fullmatch(text)) and (kind := _JSON_TYPES.get(found[1].strip(), "value")) in (
        "string",
        "array",
        "object",
    ):
        code, name = ("too_short", "at_least") if found[2] == ">=" else ("too_long", "at_most")
        return code, {"found": kind, name: int(found[3])}
    if found := _PATTERN.fullmatch(text):
        return "wrong_pattern", {"pattern": found[1]}
    if code := _CODES.get(text, ""):
        return code, {}
    return "invalid_value", {"error": text if text.endswith(".") else text + "."}


def _number(text: str) -> float | None:
    try:
        return int(text) if text.lstrip("-").isdigit() else float(text)
    except ValueError:
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


def _find_controls(value: Any, shape: Any, path: Path, faults: Faults) -> None:
    """Find texts, and names, with a character in them that no text of their type may have."""
    try:
        _with_controls(value, shape, path, faults)
    except RecursionError:
        raise too_deep() from None


def _with_controls(value: Any, shape: Any, path: Path, faults: Faults) -> None:
    if isinstance(value, str):
        if (wrong := text_fault(value, shape)) is not None:
            faults.add(path, wrong[0], **wrong[1])
    elif isinstance(value, dict):
        inner = _shapes_in(shape)
        for name, item in value.items():
            if (wrong := text_fault(name, str)) is not None:
                faults.add((path, name), wrong[0], **wrong[1])
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
