"""What an answer to a body costs, and bodies that are changed to cost more: for `cost`, and for the test that holds its worst.

A recipe is a call, and a list of changes to a good document of it: which change, where in the document, and how far (0 to 1000, of what
still fits in a body). The good documents change with the contract, so what was found is kept as its body.
"""

import base64
import json
import time
import tracemalloc
import zlib
from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qs

import msgspec
from msgspec import Struct

import rules
from rules import operation, selection
from service.cli.commands import tune_interpreter
from service.http.documents import decode, from_rules
from service.http.problem_details import body_of
from service.openapi.examples import examples
from service.problems import ProblemError
from service.receipts import token as receipts
from service.receipts.pages_api import receipt_in
from service.record.reports.batches_api import BatchLine
from service.settings import Settings
from tests.fuzzing.targets import _KEYS, _LINE, BODIES, NOW, _tests
from tests.mutation.questions import OF_THE_RULES

LIMIT = Settings().body_limit
Change = tuple[int, int, int]
"""Which change, where, how far."""


class Recipe(Struct, frozen=True, kw_only=True):
    """How a body is made."""

    call: str
    seed: int
    changes: list[Change]


class Cost(Struct, frozen=True, kw_only=True):
    """What an answer took: milliseconds of computing, megabytes at the most, kilobytes sent."""

    ms: float
    mb: float
    kb: float


class Kept(Struct, frozen=True, kw_only=True):
    """A body that cost much when it was found; the body is packed (zlib, base64), since most of it repeats."""

    call: str
    cost: Cost
    packed: str

    @property
    def body(self) -> bytes:
        """The body as it was sent."""
        return zlib.decompress(base64.b64decode(self.packed))


def kept(call: str, body: bytes, cost: Cost) -> Kept:
    """What is kept of a body."""
    return Kept(call=call, cost=cost, packed=base64.b64encode(zlib.compress(body, 9)).decode())


def _judged(document: Any) -> Any:
    verdict = rules.judge(document, received_at=NOW)
    return verdict, operation.draw_verdict(document.assembly.kind, verdict)


def _operated(document: Any) -> Any:
    answer = operation.operate(document)
    return answer, operation.draw_operation(document, answer)


_ANSWERS: dict[str, Callable[[Any], Any]] = {
    "judgeTest": _judged,
    "selectAssembly": lambda document: selection.select(document, on=NOW.date()),
    "checkPlacement": lambda document: selection.place(document, on=NOW.date()),
    "operateAssembly": _operated,
    "runPracticeTest": operation.practice_test,
}
_REPORT = json.loads(_LINE)
_PRACTICE = {"kind": "rp", "units": {"pressure": "psi"}, "line_pressure": 60, "conditions": {"check_1": "leaking"}}
_TESTS = [json.loads(test) for test in _tests()]
_EXAMPLES = examples()


_UNITS = {"pressure": "psi", "length": "ft", "flow": "gpm"}
_FULL: dict[str, dict[str, Any]] = {
    "operateAssembly": {
        "kind": "rpda",
        "units": _UNITS,
        "steps": [
            {
                "label": "x" * 200,
                "supply_pressure": 60 + number % 7 * 10,
                "downstream": ("outlet_open", "backpressure")[number % 2],
                "backpressure": 100,
                "outlet_elevation": -12,
                "demand_flow": 5,
            }
            for number in range(200)
        ],
    },
    "selectAssembly": OF_THE_RULES["selectAssembly"]
    | {
        "units": _UNITS,
        "hydraulics": {
            "supply_pressure": 60,
            "design_flow": 50,
            "outlet_elevation_above_assembly": 10,
            "required_outlet_pressure": 20,
            "loss_curves": {
                kind: [{"flow": flow, "loss": flow / 20} for flow in range(1, 201)]
                for kind in ("rp", "dc", "pvb", "svb", "rpda", "dcda", "avb")
            },
        },
    },
    "judgeTest": _TESTS[0]
    | {
        phase: {"readings": [{"component": ("check_1", "check_2", "relief_valve")[number % 3]} for number in range(24)]}
        for phase in ("initial_test", "final_test")
    },
}
"""As full as a document may be and still be good: an operation of 200 steps is, with its drawing, what takes longest."""


def _seeds(name: str) -> list[dict[str, Any]]:
    if name == "judgeTest":
        return [*_TESTS, _FULL[name]]
    if name == "runPracticeTest":
        return [_PRACTICE]
    if name in OF_THE_RULES:
        return [OF_THE_RULES[name], *([_FULL[name]] if name in _FULL else [])]
    return [
        {key: value for key, value in _REPORT.items() if key != "id"},
        {
            "name": "A",
            "code": "a",
            "units": {"pressure": "psi"},
            "kind": "pvb",
            "steps": [{}],
            "certificates": [{}],
            "calibrations": [{}],
        },
    ]


def _good(name: str) -> list[dict[str, Any]]:
    """The body of the published example of a call: a good one, from which a costly good one is not far."""
    body = _EXAMPLES.get(name, {}).get("request", {}).get("body")
    return [body] if isinstance(body, dict) else []


SHAPES: dict[str, Any] = {name: call.takes for name, call in BODIES} | {"a line of a batch": BatchLine}
SEEDS: dict[str, list[dict[str, Any]]] = {name: [*_seeds(name), *_good(name)] for name in SHAPES} | {
    "a pasted receipt": [{"receipt": "a.b.c"}]
}
CALLS = sorted(SEEDS)


def answered(call: str, body: bytes) -> bytes:
    """What is answered to a body, whether it is good or not."""
    try:
        if call == "a pasted receipt":
            pasted = parse_qs(b"receipt=" + body, max_num_fields=5).get(b"receipt", [b""])[0]
            return msgspec.json.encode(receipts.check(_KEYS, receipt_in(pasted.decode("latin-1"))))
        document = decode(SHAPES[call], body)
        answer = _ANSWERS[call](document) if call in _ANSWERS else document
        return msgspec.json.encode(answer)
    except ProblemError as problem:
        return body_of(problem, "/v1")
    except rules.RulesError as error:
        return body_of(from_rules(error), "/v1")


def cost(call: str, body: bytes) -> Cost:
    """What the answer costs; the time is taken apart from the memory, whose counting takes time itself."""
    answer = answered(call, body)
    times = []
    # Twice: what is worked out once and kept is no cost of this body.
    for _ in range(2):
        begun = time.process_time()
        answered(call, body)
        times.append(time.process_time() - begun)
    tracemalloc.start()
    try:
        answered(call, body)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    return Cost(ms=min(times) * 1000, mb=peak / 1e6, kb=len(answer) / 1000)


def plain() -> float:
    """What a plain verdict takes, in ms: the unit in which the others are reported."""
    # As the service does: what is loaded once is not looked through again and again for garbage.
    tune_interpreter()
    body = json.dumps(_TESTS[0]).encode()
    times = []
    for _ in range(30):
        begun = time.process_time()
        answered("judgeTest", body)
        times.append(time.process_time() - begun)
    return sorted(times)[len(times) // 2] * 1000


def made(recipe: Recipe) -> bytes:
    """The body of a recipe, no longer than a body may be."""
    seeds = SEEDS[recipe.call]
    document = json.loads(json.dumps(seeds[recipe.seed % len(seeds)]))
    repeat = b""
    for change, where, far in recipe.changes:
        text = _text(document)
        if len(text) >= LIMIT:
            break
        # Read again, so that what is repeated is not one thing in many places.
        document = json.loads(text)
        room = (LIMIT - len(text)) * far // 1000
        places = _places(document)
        holder, key = places[where % len(places)]
        name, work = CHANGES[change % len(CHANGES)]
        if name == "repeat a member":
            repeat = b'"%s":1,' % str(key).encode("ascii", "ignore").replace(b'"', b"") * (room // 12)
        else:
            work(holder, key, room)
    text = _text(document)
    return (text[:1] + repeat + text[1:])[:LIMIT] if repeat else text[:LIMIT]


def _text(document: Any) -> bytes:
    return json.dumps(document, separators=(",", ":")).encode()


def _places(document: Any) -> list[tuple[Any, Any]]:
    found: list[tuple[Any, Any]] = []
    waiting = [document]
    while waiting and len(found) < 400:
        value = waiting.pop(0)
        for key, inner in list(value.items() if isinstance(value, dict) else enumerate(value))[:40]:
            found.append((value, key))
            if isinstance(inner, (dict, list)):
                waiting.append(inner)
    return found


def _repeated(holder: Any, key: Any, room: int) -> None:
    """Items of a list again and again, or a value made a list of itself."""
    value = holder[key]
    items = value if isinstance(value, list) and value else [value]
    holder[key] = items * max(1, min(room // max(1, len(_text(items))), 60_000))


def _copied(holder: Any, key: Any, room: int) -> None:
    """As many copies beside it as the far end of a list of some hundred takes."""
    value = holder[key]
    if isinstance(value, list) and value:
        holder[key] = value + value[:1] * min(room // max(1, len(_text(value[0]))), 400)


def _names(holder: Any, _key: Any, room: int) -> None:
    if isinstance(holder, dict):
        holder.update({f"x{number}": 1 for number in range(room // 12)})


def _lengthened(characters: str) -> Callable[[Any, Any, int], None]:
    def lengthened(holder: Any, key: Any, room: int) -> None:
        holder[key] = characters * (room // max(1, len(json.dumps(characters)) - 2) // max(1, len(characters)) + 1)

    return lengthened


def _nested(holder: Any, key: Any, room: int) -> None:
    value: Any = 1
    for _ in range(min(room // 6, 400)):
        value = {"a": value}
    holder[key] = value


def _long_name(holder: Any, key: Any, room: int) -> None:
    if isinstance(holder, dict):
        holder["n" * room] = holder.pop(key)


def _digits(holder: Any, key: Any, room: int) -> None:
    holder[key] = int("9" * min(room + 1, 4_000))


def _wrong_items(holder: Any, key: Any, room: int) -> None:
    holder[key] = [0] * (room // 2)


def _wrong_objects(holder: Any, key: Any, room: int) -> None:
    holder[key] = [{"a": {"a": {}}}] * (room // 18)


def _odd(holder: Any, key: Any, room: int) -> None:
    odd = (
        None,
        True,
        0,
        -1,
        1e308,
        1e-308,
        -99_999.0,
        99_999.0,
        0.001,
        "open",
        "closed",
        "outlet_open",
        "leaking",
        "stuck_open",
        "rp",
        "rpda",
        "dc",
        "svb",
        "in",
        "bar",
    )
    holder[key] = odd[room % len(odd)]


CHANGES: list[tuple[str, Callable[[Any, Any, int], None]]] = [
    ("repeat items", _repeated),
    ("copy items", _copied),
    ("add names", _names),
    ("repeat a member", _names),
    ("letters", _lengthened("a")),
    ("NUL", _lengthened("\0")),
    ("quotes", _lengthened('"\\')),
    ("emoji", _lengthened("\U0001f4a7")),
    ("digits in a text", _lengthened("9")),
    ("blanks", _lengthened(" \n")),
    ("dots", _lengthened("a.")),
    ("nest", _nested),
    ("long name", _long_name),
    ("digits", _digits),
    ("wrong items", _wrong_items),
    ("wrong objects", _wrong_objects),
    ("odd value", _odd),
]
