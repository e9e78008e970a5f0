"""Whatever goes wrong is reported as RFC 9457 puts it: with all the faults of a document, and where each stands."""

import contextlib
import json
import socket
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from service.problems import KINDS
from tests.support.world import Place, World, bearer, phase

VERDICT = "/v1/rules/verdict"


def a_test(**changes: Any) -> dict[str, Any]:
    """A document that is judged."""
    return {
        "rulebook": "us-common",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": "pvb", "hazard": "health"},
        "units": {"pressure": "psi"},
        "initial_test": phase(),
    } | changes


def problem(answer: httpx.Response, status: int) -> dict[str, Any]:
    """The problem in the answer, after what holds of every one."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = dict(answer.json())
    # RFC 9457, section 3.1: type, status, title, detail, instance.
    assert body["status"] == status
    assert body["type"].startswith("/problems/")
    kind = KINDS[body["type"].removeprefix("/problems/")]
    assert (body["title"], kind.status) == (kind.title, status)
    assert body["detail"]
    assert body["instance"] == answer.request.url.path
    return body


def pointers(answer: httpx.Response, status: int = 400) -> list[str]:
    return sorted(one["pointer"] for one in problem(answer, status)["errors"])


def post(world: World, body: bytes | str, content_type: str = "application/json", path: str = VERDICT) -> httpx.Response:
    return world.client.post(path, content=body, headers={"Content-Type": content_type})


def test_a_good_test_is_answered(world: World) -> None:
    assert world.client.post(VERDICT, json=a_test()).json()["outcome"] == "pass"


def test_all_faults_are_reported_not_the_first(world: World) -> None:
    document = a_test(
        performed_at="yesterday",
        units={"pressure": "feet"},
        colour="blue",
        initial_test={
            "shutoffs": {"inlet": "shut"},
            "readings": [
                {"component": "air_inlet", "opened": "yes", "opened_at": "1.4"},
                {"component": "check", "held_at": 1e9, "held": 1},
                {"component": "spring"},
                7,
                {},
            ],
        },
    )
    del document["assembly"]
    assert pointers(world.client.post(VERDICT, json=document)) == [
        "/assembly",
        "/colour",
        "/initial_test/readings/0/opened",
        "/initial_test/readings/0/opened_at",
        "/initial_test/readings/1/held",
        "/initial_test/readings/1/held_at",
        "/initial_test/readings/2/component",
        "/initial_test/readings/3",
        "/initial_test/readings/4",
        "/initial_test/shutoffs/inlet",
        "/performed_at",
        "/units/pressure",
    ]


def test_a_missing_unit_is_never_guessed(world: World) -> None:
    assert pointers(world.client.post(VERDICT, json=a_test(units={}))) == ["/units/pressure"]
    result = a_test(assembly={"kind": "pvb", "hazard": "health", "size": 1.0})
    assert pointers(world.client.post(VERDICT, json=result), 422) == ["/units/length"]


def test_a_rulebook_that_is_not_carried_or_not_in_force_is_well_formed_but_cannot_answer(world: World) -> None:
    assert pointers(world.client.post(VERDICT, json=a_test(rulebook="xx-nowhere")), 422) == ["/rulebook"]
    problem(world.client.post(VERDICT, json=a_test(performed_at="1950-01-01T00:00:00Z")), 422)


def test_a_pointer_escapes_what_rfc_6901_escapes(world: World) -> None:
    # RFC 6901, section 3: ~ is ~0 and / is ~1.
    assert pointers(world.client.post(VERDICT, json=a_test(**{"a/b~c": 1}))) == ["/a~1b~0c"]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"{}{}",
        b"\xff\xfe",
        b'{"rulebook": "\xed\xa0\x80"}',
        b"nan",
        b"[]",
        b"null",
        b"1",
        b'"x"',
        b"\x00",
        b"\xef\xbb\xbf{}",
    ],
)
def test_what_is_no_json_object_is_refused(world: World, body: bytes) -> None:
    problem(post(world, body), 400)


def test_a_number_outside_a_list_of_numbers_is_refused_with_those_allowed(world: World) -> None:
    asked = {"rulebook": "us-wa", "units": {"length": "in"}, "installation": {"air_gap": {"near_walls": 3}}}
    found = problem(world.client.post("/v1/rules/placement", json=asked), 400)
    [fault] = [fault for fault in found["errors"] if fault["pointer"] == "/installation/air_gap/near_walls"]
    assert (fault["code"], fault["parameters"]["available"]) == ("unknown_value", ["0", "1", "2"])


@pytest.mark.parametrize("query", ["on=null", "on=NULL", "on="])
def test_no_value_is_not_a_way_to_leave_a_parameter_out(world: World, query: str) -> None:
    found = problem(world.client.get(f"/v1/rulebooks/us-wa?{query}"), 400)
    assert [(fault["parameter"], fault["code"]) for fault in found["errors"]] == [("on", "not_a_date")]


@pytest.mark.parametrize("text", ["a\\u0000b", "\\ud800", "\\udfff", "\\ud800\\u0041"])
def test_nul_and_lone_surrogates_are_refused_wherever_they_stand(place: Place, world: World, text: str) -> None:
    for body in (
        json.dumps(a_test(rulebook="X")).replace('"X"', f'"{text}"'),
        json.dumps(a_test(X=1)).replace('"X"', f'"{text}"'),
    ):
        problem(post(world, body), 400)
    remark = json.dumps(place.report(remarks="X")).replace('"X"', f'"{text}"')
    headers = bearer(place.keys["testing_company"]) | {"Content-Type": "application/json"}
    problem(world.client.post(f"{place.base}/reports", content=remark, headers=headers), 400)
    name = json.dumps({"name": "X", "address": "A", "connection": "fire"}).replace('"X"', f'"{text}"')
    headers = bearer(world.operator_key) | {"Content-Type": "application/json"}
    problem(world.client.post(f"{place.base}/premises", content=name, headers=headers), 400)
    patched = world.client.patch(
        f"{place.base}/premises/{place.premises}", content=f'{{"name": "{text}"}}', headers=headers | {"If-Match": '"1"'}
    )
    problem(patched, 400)


@pytest.mark.parametrize(
    "number",
    ["1e400", "-1e400", "1" + "0" * 400, "9" * 5000, "NaN", "Infinity", "1e308", "100001", "true", '"1.4"', "null", "[1]", "0x1"],
)
def test_a_number_that_is_none_or_out_of_all_bounds_is_refused(world: World, number: str) -> None:
    problem(post(world, json.dumps(a_test()).replace("1.4", number)), 400)


@pytest.mark.parametrize("number", ["1.4e0", "0.000000000000001", "1.40000000000000000000000000001", "-0", "5e-324"])
def test_a_number_that_is_one_is_answered(world: World, number: str) -> None:
    assert post(world, json.dumps(a_test()).replace("1.4", number)).status_code == 200


@pytest.mark.parametrize("depth", [100, 2_000, 100_000])
@pytest.mark.parametrize("pair", ["[]", ('{"a":', "}")])
def test_deep_nesting_is_refused(place: Place, world: World, depth: int, pair: Any) -> None:
    # The body limit of 256 KiB ends what a nest of objects can hold.
    nest = pair[0] * depth + ("1" if pair != "[]" else "") + pair[1] * depth
    expected = 413 if len(nest) > 200_000 else 400
    problem(post(world, nest), expected)
    problem(post(world, f'{{"initial_test": {nest}}}'), expected)
    headers = bearer(world.operator_key) | {"Content-Type": "application/json", "If-Match": '"1"'}
    patched = world.client.patch(f"{place.base}/premises/{place.premises}", content=f'{{"location": {nest}}}', headers=headers)
    problem(patched, expected)


def test_a_body_over_the_limit_is_refused_by_its_length_and_by_its_bytes(world: World) -> None:
    big = b'"' + b"x" * (256 * 1024) + b'"'
    problem(post(world, big), 413)
    chunked = world.client.post(VERDICT, content=iter([big[:1000], big[1000:]]), headers={"Content-Type": "application/json"})
    problem(chunked, 413)
    assert world.client.get("/healthz").status_code == 200


@pytest.mark.parametrize(
    "content_type", ["text/plain", "application/xml", "multipart/form-data; boundary=x", "application/x-www-form-urlencoded", "x"]
)
def test_another_kind_of_body_is_refused(place: Place, world: World, content_type: str) -> None:
    problem(post(world, json.dumps(a_test()), content_type), 415)
    headers = bearer(place.keys["testing_company"]) | {"Content-Type": content_type}
    problem(world.client.post(f"{place.base}/reports", content=json.dumps(place.report()), headers=headers), 415)


def test_the_charset_and_the_case_of_the_media_type_do_not_matter(world: World) -> None:
    assert post(world, json.dumps(a_test()), "Application/JSON; charset=utf-8").status_code == 200


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [("DELETE", VERDICT, {"POST"}), ("GET", VERDICT, {"POST"}), ("POST", "/healthz", {"GET"}), ("PUT", "/v1/rulebooks", {"GET"})],
)
def test_a_method_that_does_not_serve_states_which_do(world: World, method: str, path: str, allowed: set[str]) -> None:
    answer = world.client.request(method, path)
    problem(answer, 405)
    # RFC 9110, section 15.5.6: a 405 must carry Allow.
    assert allowed <= {one.strip() for one in answer.headers["allow"].split(",")}


@pytest.mark.parametrize("path", ["/v1", "/v2/utilities", "/v1/nothing", "/problems/nothing", "/v1/rulebooks/nothing", "/.env"])
def test_an_unknown_path_is_not_found(world: World, path: str) -> None:
    problem(world.client.get(path), 404)


@pytest.mark.parametrize("thing", ["x", "1", "0" * 32, "{id}", "%00", "%2e%2e", "0192c80d-ca80-707c-86d8-8e6b2e0d33dcx"])
def test_an_id_that_is_none_is_not_found(place: Place, world: World, thing: str) -> None:
    for plural in ("premises", "reports"):
        answer = world.operator.get(f"{place.base}/{plural}/{thing}")
        assert answer.status_code in {400, 404}, answer.text
        assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    "query",
    ["on=yesterday", "on=2026-02-30", "on=2026-01-01&on=2026-01-02", "from=2026-01-01", "on=", "on=%00", "on=20260101T00"],
)
def test_a_bad_query_parameter_is_refused(world: World, query: str) -> None:
    problem(world.client.get(f"/v1/rulebooks/us-wa?{query}"), 400)


@pytest.mark.parametrize("code", list(KINDS))
def test_every_kind_of_problem_has_its_page(world: World, code: str) -> None:
    answer = world.client.get(f"/problems/{code}")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/html")
    assert str(KINDS[code].status) in answer.text


def test_what_is_no_http_does_not_hurt(world: World) -> None:
    host, port = urlsplit(world.url).hostname, urlsplit(world.url).port
    for sent in (
        b"\x16\x03\x01\x02\x00",
        b"GET / HTTP/9.9\r\n\r\n",
        b"POST /v1/rules/verdict HTTP/1.1\r\nHost: x\r\nContent-Length: -1\r\n\r\n",
    ):
        with socket.create_connection((host, port), timeout=5) as connection:
            connection.sendall(sent)
            connection.settimeout(1)
            with contextlib.suppress(TimeoutError):
                assert b" 500 " not in connection.recv(4096)
    assert world.client.get("/healthz").status_code == 200
