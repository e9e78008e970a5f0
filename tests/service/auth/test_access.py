"""Who may do what: keys, rights, grants; and that another utility's things cannot be distinguished from things that are not there."""

import datetime as dt
import hashlib
from typing import Any
from uuid import uuid4

import pytest

from tests.support.world import Place, World, bearer

GARBAGE = [
    "x",
    "nonreturn",
    "nonreturn__",
    "nonreturn_zz_x",
    f"nonreturn_{'0' * 32}_secret",
    "nonreturn_" + "f" * 5_000,
    f"other_{'0' * 32}_secret",
    "\u00e9",
]


def make_key(world: World, organisation: str, **document: Any) -> dict[str, Any]:
    return world.made(f"/v1/organisations/{organisation}/keys", label="k", **document)


def asks(world: World, place: Place, key: str) -> int:
    return world.client.get(f"{place.base}/premises", headers=bearer(key)).status_code


def test_without_a_good_key_the_record_is_closed(place: Place, world: World) -> None:
    good = place.keys["utility"]
    tampered = [good[:-1], good + "x", good.upper(), good.replace("nonreturn", "Nonreturn"), good.rpartition("_")[0]]
    headers: list[dict[str, Any]] = [
        {},
        *({"Authorization": f"Bearer {key}".encode()} for key in [*GARBAGE, *tampered]),
        {"Authorization": f"Basic {good}"},
    ]
    result = set()
    for one in headers:
        answer = world.client.get(f"{place.base}/premises", headers=one)
        assert answer.status_code == 401, one
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert answer.headers["content-type"] == "application/problem+json"
        result.add(answer.text)
    # The answer is the same whatever is wrong, so that nobody learns which keys exist.
    assert len(result) == 1
    assert asks(world, place, good) == 200


def test_a_revoked_key_ends_within_seconds(place: Place, world: World) -> None:
    organisation = place.organisations["utility"]
    made = make_key(world, organisation)
    assert asks(world, place, made["key"]) == 200
    path = f"/v1/organisations/{organisation}/keys/{made['id']}"
    assert [world.operator.delete(path).status_code for _ in range(2)] == [204, 204]
    world.clock.pass_by(seconds=6)
    assert asks(world, place, made["key"]) == 401


def test_an_expired_key_ends_at_its_moment(place: Place, world: World) -> None:
    expires_at = world.clock.now() + dt.timedelta(seconds=2)
    made = make_key(world, place.organisations["utility"], expires_at=expires_at.isoformat())
    assert asks(world, place, made["key"]) == 200
    world.clock.pass_by(seconds=2)
    assert asks(world, place, made["key"]) == 401


def test_a_key_cannot_be_made_expired(place: Place, world: World) -> None:
    path = f"/v1/organisations/{place.organisations['utility']}/keys"
    refused = world.operator.post(path, json={"label": "k", "expires_at": world.clock.now().isoformat()})
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/expires_at")


def test_a_key_is_shown_once_and_only_its_hash_is_kept(place: Place, world: World) -> None:
    organisation = place.organisations["utility"]
    path = f"/v1/organisations/{organisation}/keys"
    answer = world.operator.post(path, json={"label": "shown once"})
    assert answer.headers["cache-control"] == "no-store"
    key = answer.json()["key"]
    secret = key.split("_", 2)[2]
    listed = world.operator.get(path).text
    assert "shown once" in listed
    assert secret not in listed
    assert "secret_hash" not in listed
    [row] = world.database.owner("SELECT * FROM access.key WHERE label = 'shown once'")
    assert row["secret_hash"] == hashlib.sha256(secret.encode()).digest()
    assert secret not in str(dict(row))


@pytest.mark.parametrize(
    ("kind", "expected"),
    [("utility", (200, 201, 201, 403)), ("testing_company", (200, 201, 403, 403)), ("regulator", (200, 403, 403, 403))],
)
def test_each_kind_of_organisation_has_its_rights(
    place: Place, world: World, kind: str, expected: tuple[int, int, int, int]
) -> None:
    reads, reports, registers, administers = expected
    headers = bearer(place.keys[kind])
    premises = {"name": "P", "address": "A", "connection": "fire"}
    assert world.client.get(f"{place.base}/reports", headers=headers).status_code == reads
    assert place.put(uuid4(), place.report(), key=kind).status_code == reports
    assert world.client.post(f"{place.base}/reports", json=place.report(), headers=headers).status_code == reports
    assert world.client.post(f"{place.base}/premises", json=premises, headers=headers).status_code == registers
    refused = world.client.post("/v1/organisations", json={"kind": "regulator", "name": "R"}, headers=headers)
    assert (refused.status_code, refused.json()["type"]) == (administers, "/problems/forbidden")
    assert world.client.put(f"{place.base}/grants/{uuid4()}", headers=headers).status_code == administers


def test_a_key_may_have_fewer_rights_than_its_organisation_and_no_more(place: Place, world: World) -> None:
    reader = make_key(world, place.organisations["testing_company"], rights=["read"])
    assert reader["rights"] == ["read"]
    answer = world.client.put(f"{place.base}/reports/{uuid4()}", json=place.report(), headers=bearer(reader["key"]))
    assert answer.status_code == 403
    path = f"/v1/organisations/{place.organisations['testing_company']}/keys"
    refused = world.operator.post(path, json={"label": "k", "rights": ["read", "administer"]})
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/rights")


def test_a_testing_company_works_for_every_utility_that_is_granted(place: Place, world: World) -> None:
    other, third = world.place(), world.place()
    company = place.organisations["testing_company"]
    assert asks(world, other, place.keys["testing_company"]) == 404
    assert world.operator.put(f"{other.base}/grants/{company}").status_code == 204
    assert world.operator.put(f"{other.base}/grants/{company}").status_code == 204
    world.clock.pass_by(seconds=6)
    headers = bearer(place.keys["testing_company"])
    assert world.client.put(f"{other.base}/reports/{uuid4()}", json=other.report(), headers=headers).status_code == 201
    codes = [one["code"] for one in world.client.get("/v1/utilities", headers=headers).json()["items"]]
    assert codes == sorted([place.code, other.code])
    assert third.code not in codes
    granted = [one["organisation_id"] for one in other.get("/grants").json()["items"]]
    assert company in granted
    assert world.operator.delete(f"{other.base}/grants/{company}").status_code == 204
    assert world.operator.delete(f"{other.base}/grants/{company}").status_code == 404
    world.clock.pass_by(seconds=6)
    assert asks(world, other, place.keys["testing_company"]) == 404


def test_the_operator_sees_every_utility(place: Place, world: World) -> None:
    codes, path = [], "/v1/utilities?limit=3"
    while path:
        page = world.operator.get(path).json()
        codes += [one["code"] for one in page["items"]]
        path = page["next"]
    assert place.code in codes
    assert codes == sorted(set(codes))
    assert len(codes) == world.database.count("utility")


def routes(contract: dict[str, Any]) -> list[tuple[str, str]]:
    """Every published call under a utility."""
    return [
        (method.upper(), path)
        for path, item in contract["paths"].items()
        for method in item
        if path.startswith("/v1/utilities/{utility}")
    ]


def test_everything_of_another_utility_is_not_found(place: Place, world: World) -> None:
    """Walks the published contract, so that a new call cannot be forgotten."""
    other = world.place()
    report = other.recorded()["report"]["id"]
    incident = other.made("incidents", **valid_body("incidents", "POST", other))["id"]
    exception = other.made("exceptions", **valid_body("exceptions", "POST", other))["id"]
    other.recorded(performed_at="2026-05-02T02:00:00-07:00")
    world.operator.post(f"{other.base}/screenings/runs").raise_for_status()
    ids = {
        "screenings": other.get("/screenings").json()["items"][0]["id"],
        "incidents": incident,
        "exceptions": exception,
        "premises": other.premises,
        "assemblies": other.assembly,
        "testers": other.tester,
        "gauges": other.gauge,
        "reports": report,
    }
    contract = world.client.get("/openapi.json").json()
    tried = 0
    for method, template in routes(contract):
        parts = template.split("/")
        thing = ids.get(parts[4], report) if len(parts) > 4 else ""
        for code, key, expected in (
            (other.code, place.keys["utility"], {404}),
            ("no-such-utility", place.keys["utility"], {404}),
            ("no-such-utility", world.operator_key, {404}),
            (place.code, place.keys["utility"], {404, 403, 405}),
        ):
            if code == place.code and "{id}" not in template:
                continue
            path = (
                template.replace("{utility}", code)
                .replace("{id}", thing)
                .replace("{delivery}", report)
                .replace("{organisation}", place.organisations["testing_company"])
            )
            headers = bearer(key) | {"If-Match": '"1"'}
            body = None
            if method in ("POST", "PUT", "PATCH"):
                body = valid_body(
                    parts[-1] if parts[-1] in ("replay", "secret", "corrections") else parts[4] if len(parts) > 4 else "utility",
                    method,
                    other,
                )
            if code == place.code and method == "PUT":
                # A report's id is a name that its sender chooses; the same one elsewhere is another report.
                continue
            answer = world.client.request(method, path, json=body, headers=headers)
            if code == other.code and key == place.keys["utility"]:
                alike = world.client.request(method, path.replace(other.code, "no-such-utility"), json=body, headers=headers)
                assert alike.json() | {"instance": ""} == answer.json() | {"instance": ""}
            assert answer.status_code in expected, (method, path, answer.status_code, answer.text)
            tried += 1
    assert tried > 60


def valid_body(plural: str, method: str, place: Place) -> dict[str, Any]:
    """A body that the call would take, were the utility the caller's."""
    bodies: dict[str, dict[str, Any]]
    if method == "PATCH":
        bodies = {
            "exceptions": {"ended_on": "2026-02-01", "ended_because": "B"},
            "notices": {"state": "sent"},
            "reviews": {"decision": "accepted", "because": "B", "decided_by": "D"},
            "screenings": {"disposition": "explained", "because": "B", "decided_by": "D"},
        }
        return bodies.get(plural, {})
    bodies = {
        "incidents": {
            "occurred_at": "2026-05-01T12:00:00Z",
            "status": "suspected",
            "description": "D",
            "assemblies": [place.assembly],
        },
        "exceptions": {
            "assembly_id": place.assembly,
            "since": "2026-01-01",
            "until": "2026-12-31",
            "reason": "premises_empty",
            "because": "B",
            "granted_by": "Office",
        },
        "hazard-assessments": {
            "premises_id": place.premises,
            "assessed_on": "2026-05-01",
            "assessed_by": "Office",
            "hazard": "health",
        },
        "premises": {"name": "P", "address": "A", "connection": "fire"},
        "assemblies": {"premises_id": place.premises, "kind": "pvb", "hazard": "health", "purpose": "point_of_use"},
        "testers": {"name": "T", "certificates": []},
        "gauges": {"serial_number": "G", "units": {"pressure": "psi"}, "accuracy": 0.2, "resolution": 0.1, "calibrations": []},
        "reports": place.report(),
        "corrections": {"correction": "registered_in_error", "because": "B"},
        "inspections": {
            "assembly_id": place.new_assembly("air_gap"),
            "tester_id": place.tester,
            "inspected_by": "Office",
            "performed_at": "2026-05-01T12:00:00Z",
            "reason": "periodic",
            "units": {"length": "in"},
            "installation": {},
        }
        if plural == "inspections"
        else {},
        "webhooks": {"url": "https://portal.example/"},
        "replay": {"after": 0},
    }
    return bodies.get(plural, {})


@pytest.mark.parametrize("code", ["a%20b", "%00", "%F0%9F%92%A7", "a'b", "A", "..", "x" * 300, "%ED%A0%80", "a%0Ab"])
def test_a_utility_code_that_can_be_none_is_not_found(place: Place, world: World, code: str) -> None:
    for headers in (bearer(place.keys["utility"]), bearer(world.operator_key)):
        answer = world.client.get(f"/v1/utilities/{code}/premises", headers=headers)
        assert answer.status_code in {400, 404}, answer.text
        assert answer.headers["content-type"] == "application/problem+json"


def test_two_codes_in_one_are_not_two_utilities(place: Place, world: World) -> None:
    other = world.place()
    answer = world.operator.get(f"/v1/utilities/{place.code}%20{other.code}")
    assert answer.status_code == 404


def test_an_organisation_that_is_not_there_is_not_found(world: World) -> None:
    missing = uuid4()
    assert world.operator.get(f"/v1/organisations/{missing}").status_code == 404
    assert world.operator.get(f"/v1/organisations/{missing}/keys").status_code == 404
    assert world.operator.post(f"/v1/organisations/{missing}/keys", json={"label": "k"}).status_code == 404
    assert world.operator.delete(f"/v1/organisations/{missing}/keys/{missing}").status_code == 404
    document = {"code": "orphan", "name": "O", "rulebook": "us-wa", "time_zone": "UTC", "organisation_id": str(missing)}
    refused = world.operator.post("/v1/utilities", json=document)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/organisation_id")
    assert world.operator.get("/v1/utilities/orphan").status_code == 404


def test_organisations_and_keys_are_listed_in_pages(place: Place, world: World) -> None:
    organisation = place.organisations["regulator"]
    made = [make_key(world, organisation)["id"] for _ in range(3)]
    page = world.operator.get(f"/v1/organisations/{organisation}/keys?limit=2").json()
    rest = world.operator.get(page["next"]).json()
    assert [one["id"] for one in page["items"] + rest["items"]][1:] == made
    first = world.operator.get("/v1/organisations?limit=1").json()
    second = world.operator.get(first["next"]).json()
    assert first["items"][0]["id"] < second["items"][0]["id"]
    assert world.operator.get(f"/v1/organisations/{organisation}").json()["kind"] == "regulator"
