"""Documents written to cost more than they weigh: names and faults without end, within the size of a body that anyone may send.

Time is compared with reading a plain document of that size, so that a slow machine does not matter; memory is what Python allocated.
"""

import json
import time
import tracemalloc
from typing import Any

import msgspec
import pytest

import rules
from rules import operation, selection
from service.http.documents import decode
from service.http.plain_numbers import has_many_extreme_numbers
from service.http.problem_details import MOST_BYTES, Problem, body_of
from service.problems import MOST_FAULTS, ProblemError
from service.receipts import token as receipts
from service.settings import Settings
from service.signing import base64url, parse
from tests.support.world import SIGNING_KEYS, World

LIMIT = Settings().body_limit


def within_limit(document: Any) -> bytes:
    body = json.dumps(document, separators=(",", ":")).encode()
    assert len(body) <= LIMIT
    return body


ONE_LONG_NAME = within_limit({"n" * 128_000: ["\0"] * 14_000})
"""As it was found: 1.8 GB of memory, an answer of 12 MB, and the process was killed."""
REPEATED = b"{" + b",".join(b'"%d":1' % (number % 13_500) for number in range(24_000)) + b"}"
"""As it was found: 13 seconds, in which nobody else was answered."""
REPEATED_IN_A_GOOD_ONE = (
    b'{"rulebook":"us-wa","performed_at":"2026-05-14T09:20:00-07:00","assembly":{"kind":"pvb","hazard":"health"},'
    b'"units":{"pressure":"psi"},"initial_test":{"readings":[]},'
    + b",".join(b'"line_pressure":%d' % (number % 90) for number in range(11_000))
    + b"}"
)
COSTLY: dict[str, tuple[Any, bytes]] = {
    "one-long-name": (rules.Test, ONE_LONG_NAME),
    "repeated-names": (rules.Test, REPEATED),
    "one-name-repeated": (rules.Test, REPEATED_IN_A_GOOD_ONE),
    "many-names": (rules.Test, within_limit({f"x{number}": 1 for number in range(20_000)})),
    "long-names": (rules.Test, within_limit({chr(1 + number % 30) * 250 + str(number): 1 for number in range(150)})),
    "items-of-the-wrong-kind": (rules.Test, within_limit({"initial_test": {"readings": [1] * 80_000}})),
    "empty-items": (
        operation.OperationRequest,
        within_limit({"kind": "rp", "units": {"pressure": "psi"}, "steps": [{}] * 60_000}),
    ),
    "one-bad-item-behind-good-ones": (
        operation.OperationRequest,
        within_limit({"kind": "rp", "units": {"pressure": "psi"}, "steps": [{"supply_pressure": 60}] * 10_000 + [7]}),
    ),
    "too-long-a-list": (
        selection.SelectionRequest,
        within_limit({"rulebook": "us-wa", "hydraulics": {"loss_curves": {"rp": [{"flow": 1, "loss": 1}] * 8_000}}}),
    ),
    "texts-with-nul-behind-numbers": (rules.Test, within_limit({"a": [1] * 80_000 + ["\0"]})),
    "numbers-near-the-largest": (rules.Test, b'{"a":[' + b",".join([b"1e308"] * 43_000) + b"]}"),
    "numbers-near-the-smallest": (rules.Test, b'{"a":[' + b",\n".join([b"-2.2250738585072011E-308"] * 10_000) + b"]}"),
    "nested": (rules.Test, b'{"a":' * 40_000 + b"1" + b"}" * 40_000),
}


@pytest.mark.parametrize(("shape", "body"), COSTLY.values(), ids=COSTLY)
def test_refusing_a_document_costs_little_more_than_reading_it(shape: Any, body: bytes) -> None:
    def refused() -> ProblemError:
        with pytest.raises(ProblemError) as found:
            decode(shape, body)
        return found.value

    assert len(body_of(refused(), "/v1/rules/verdict")) <= MOST_BYTES
    took = min(timed(refused) for _ in range(3))
    # The standard library, which reads 250 KB of small objects: what looking for repeated names costs at the least.
    plain = within_limit([{"a": 1}] * 30_000)
    reads = min(timed(lambda: json.loads(plain, object_pairs_hook=dict)) for _ in range(3))
    assert took < 5 * reads
    tracemalloc.start()
    try:
        refused()
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 100 * LIMIT


@pytest.mark.parametrize("numbers", ["1e308", "5e-324", "1E+400", "123456789" * 30, "0." + "0" * 300 + "1"])
def test_few_extreme_numbers_are_refused_where_they_stand(numbers: str) -> None:
    """As found by the cost fuzzer: the decoder takes 10 µs for a number near the ends of what a double holds (IEEE 754)."""
    body = b'{"line_pressure":%s,"remarks":"%s"}' % (numbers.encode(), b", 1e308" * 1_000)
    with pytest.raises(ProblemError) as found:
        decode(rules.Test, body)
    assert "many_extreme_numbers" not in body_of(found.value, "/").decode()


def test_texts_and_ids_are_no_extreme_numbers() -> None:
    """Identifiers in hexadecimal, and sentences, have such signs in any number."""
    texts = ["019e1000-0000-7000-8000-2e3450000006", "a, 1e308: 2e999", 'b \\" , 3e400'] * 2_000
    assert not has_many_extreme_numbers(json.dumps(texts).encode())
    assert has_many_extreme_numbers(json.dumps([*texts, "x"]).encode()[:-1] + b", 1e308" * 101 + b"]")
    assert not has_many_extreme_numbers(json.dumps([*texts, "x"]).encode()[:-1] + b", 1e308" * 100 + b"]")


def test_the_head_of_a_token_is_bounded_before_it_is_read() -> None:
    numbers = base64url(b'{"alg":[' + b",".join([b"1e308"] * 30_000) + b"]}")
    keys = parse(SIGNING_KEYS)
    assert timed(lambda: receipts.check(keys, f"{numbers}.e30.AA")) < 0.1
    assert not receipts.check(keys, f"{numbers}.e30.AA").valid


def timed(work: Any) -> float:
    started = time.process_time()
    work()
    return time.process_time() - started


def test_a_hundred_faults_are_listed_and_that_there_are_more(world: World) -> None:
    for _, body in COSTLY.values():
        answer = world.client.post("/v1/rules/verdict", content=body, headers={"Content-Type": "application/json"})
        assert answer.status_code == 400
        assert len(answer.content) <= MOST_BYTES
        problem = msgspec.json.decode(answer.content, type=Problem)
        assert 1 <= len(problem.errors) <= MOST_FAULTS
        assert all(len(str(fault.pointer)) <= 200 for fault in problem.errors)
    found = world.client.post("/v1/rules/verdict", content=REPEATED, headers={"Content-Type": "application/json"}).json()
    assert (len(found["errors"]), found["more"]) == (MOST_FAULTS, True)
    assert "more than 100 faults" in found["detail"]
    # Exactly a hundred are all of them.
    exactly = {f"x{number}": 1 for number in range(MOST_FAULTS - len(faults({})))}
    assert (len(faults(exactly)), "more" in problem_of(exactly)) == (MOST_FAULTS, False)
    assert problem_of(exactly | {"y": 1})["more"] is True


def problem_of(document: Any) -> dict[str, Any]:
    with pytest.raises(ProblemError) as found:
        decode(rules.Test, json.dumps(document).encode())
    return dict(json.loads(body_of(found.value, "/v1/rules/verdict")))


def faults(document: Any) -> list[dict[str, str]]:
    return list(problem_of(document)["errors"])


def test_a_pointer_leads_to_the_nearest_place_whose_pointer_is_not_too_long() -> None:
    """RFC 6901: a pointer that ends in the middle of a name points nowhere."""
    found = {fault["pointer"]: fault["detail"] for fault in faults({"units": {"n" * 300: 1}, "x" * 199: 1, "y" * 200: 1})}
    assert "/" + "x" * 199 in found
    assert found[""] == f"Unknown field `{'y' * 200}`. {found[''].partition('. ')[2]}"
    assert f"`{'n' * 199}…`" in found["/units"]


def test_whatever_came_with_a_request_is_repeated_to_a_bound(world: World) -> None:
    test = {
        "rulebook": "us-common",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": "pvb", "hazard": "health"},
        "units": {"pressure": "psi"},
        "initial_test": {"readings": []},
    }
    long = "\x01" * 20_000
    for path, document in (
        ("/v1/rules/verdict", test | {"rulebook": long}),
        ("/v1/rules/verdict", test | {long: long}),
        ("/v1/rules/selection", {"rulebook": "us-wa", "hydraulics": {"loss_curves": {long: []}}}),
    ):
        answer = world.client.post(path, json=document)
        assert answer.status_code == 400
        assert len(answer.content) < 8_000, document.keys()
    assert len(world.client.get("/" + "x" * 20_000).content) < 8_000
