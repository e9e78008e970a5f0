"""Receipts over HTTP: the same whenever asked for, good for anyone, and no forged, altered or foreign one passes."""

import base64
import datetime as dt
import json
import os
import stat
from pathlib import Path
from typing import Any
from uuid import uuid4

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from joserfc.jwk import OKPKey

import rules
from service import signing
from service.cli.command import parser
from service.receipts import token as receipts
from service.settings import Settings
from tests.support.world import SIGNING_KEYS, Place, World, bearer, phase


def segment(part: bytes | dict[str, Any]) -> str:
    """A part of a token."""
    return signing.base64url(part if isinstance(part, bytes) else json.dumps(part, separators=(",", ":")).encode())


def receipt_of(place: Place, report_id: str) -> str:
    """A report's receipt."""
    answer = place.get(f"/reports/{report_id}/receipt")
    assert answer.status_code == 200, answer.text
    return str(answer.json()["receipt"])


def verified(world: World, token: str) -> dict[str, Any]:
    """What the service says of a receipt, asked without a key."""
    answer = world.client.post("/v1/receipts/verify", json={"receipt": token})
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def test_a_receipt_holds_report_verdict_rulebook_and_times_and_anyone_may_check_it(signed_place: Place) -> None:
    recorded = signed_place.recorded(check=0.6)
    report_id = recorded["report"]["id"]
    found = verified(signed_place.world, receipt_of(signed_place, report_id))
    assert (found["valid"], found["on_record"], found["key_retired"]) == (True, "as_signed", False)
    content = found["content"]
    kept = signed_place.get(f"/reports/{report_id}").json()
    assert content["report"] == kept["report"]
    assert content["verdict"] == recorded["verdict"]
    assert content["verdict"]["rulebook"].keys() >= {"id", "in_force_from", "digest"}
    assert content["report"]["received_at"] == recorded["report"]["received_at"]
    assert content["report"]["performed_at"]
    assert content["report"]["log_index"] == 0


def test_the_verdict_can_be_had_again_from_the_receipt_alone(signed_place: Place) -> None:
    for held_at in (1.8, 0.6):
        recorded = signed_place.recorded(check=held_at, final_test=phase(2.1))
        signed_place.world.clock.pass_by(days=1)
    token = receipt_of(signed_place, recorded["report"]["id"])
    content = receipts.check(RING, token).content
    assert content is not None
    assert content.previous is not msgspec.UNSET
    result = msgspec.to_builtins(content.report) | msgspec.to_builtins(
        {"assembly": content.assembly, "gauge": content.gauge, "tester": content.tester}
    )
    test = msgspec.convert(
        {name: result[name] for name in rules.Test.__struct_fields__ if name in result}
        | {"rulebook": content.verdict.rulebook.id},
        rules.Test,
        strict=False,
    )
    again = rules.judge(test, received_at=content.report.received_at, previous=content.previous)
    assert json.loads(msgspec.json.encode(again)) == recorded["verdict"]


def test_the_same_report_gives_the_same_receipt_at_any_time(signed_place: Place) -> None:
    report_id = signed_place.recorded()["report"]["id"]
    first = receipt_of(signed_place, report_id)
    signed_place.world.clock.pass_by(days=400)
    assert receipt_of(signed_place, report_id) == first
    bare = signed_place.world.client.get(
        f"{signed_place.base}/reports/{report_id}/receipt",
        headers=bearer(signed_place.keys["regulator"]) | {"Accept": "application/jose"},
    )
    assert (bare.text, bare.headers["content-type"]) == (first, "application/jose")


def test_a_corrected_report_is_reported_as_superseded_and_not_by_which(signed_place: Place) -> None:
    first = signed_place.recorded(check=0.6)["report"]["id"]
    token = receipt_of(signed_place, first)
    later = signed_place.recorded(check=1.6, supersedes=first, supersedes_because="misread")["report"]["id"]
    found = verified(signed_place.world, token)
    assert (found["valid"], found["on_record"]) == (True, "superseded")
    assert later not in json.dumps(found)
    assert receipt_of(signed_place, first) == token


def test_a_receipt_says_what_was_decided_of_the_report_since(signed_place: Place) -> None:
    report_id = signed_place.recorded(check=0.6, declared="pass")["report"]["id"]
    token = receipt_of(signed_place, report_id)
    assert verified(signed_place.world, token)["decision"] is None
    for version, decision in enumerate(("accepted", "refused")):
        signed_place.world.client.patch(
            f"{signed_place.base}/reviews/{report_id}",
            json={"decision": decision, "because": "Looked at.", "decided_by": "A reviewer"},
            headers=bearer(signed_place.keys["utility"]) | {"If-Match": f'"{version}"'},
        ).raise_for_status()
        found = verified(signed_place.world, token)
        assert (found["on_record"], found["decision"]) == ("as_signed", decision)
        assert "A reviewer" not in json.dumps(found)


def test_a_report_that_is_not_there_and_anothers_have_no_receipt(signed_place: Place) -> None:
    other = signed_place.world.place()
    report_id = other.recorded()["report"]["id"]
    for path in (f"/reports/{uuid4()}/receipt", f"/reports/{report_id}/receipt"):
        assert signed_place.get(path).status_code == 404
    foreign = signed_place.world.client.get(
        f"{other.base}/reports/{report_id}/receipt", headers=bearer(signed_place.keys["utility"])
    )
    assert foreign.status_code == 404


def test_a_row_altered_in_the_database_is_not_signed_and_an_old_receipt_says_so(signed_place: Place) -> None:
    report_id = signed_place.recorded(check=0.6)["report"]["id"]
    token = receipt_of(signed_place, report_id)
    tamper(signed_place, "UPDATE record.report SET verdict = replace(verdict, '0.6', '1.6') WHERE id = $1", report_id)
    refused = signed_place.get(f"/reports/{report_id}/receipt")
    assert (refused.status_code, refused.json()["type"]) == (500, "/problems/record-altered")
    assert verified(signed_place.world, token)["on_record"] == "differs"
    tamper(signed_place, "DELETE FROM record.report WHERE id = $1", report_id)
    found = verified(signed_place.world, token)
    assert (found["valid"], found["on_record"]) == (True, "not_here")


def tamper(place: Place, sql: str, report_id: str) -> None:
    """What a superuser can do who sets the triggers aside."""
    owner = place.world.database.owner
    owner("ALTER TABLE record.report DISABLE TRIGGER USER")
    owner(sql, report_id)
    owner("ALTER TABLE record.report ENABLE TRIGGER USER")


RING = signing.parse(SIGNING_KEYS)
KID = str(RING.current)
GOOD = RING.sign(receipts.TYPE, b'{"a":1}')
HEAD = {"alg": "EdDSA", "kid": KID, "typ": receipts.TYPE}
OTHER = signing.parse(json.dumps({"keys": [OKPKey.generate_key("Ed25519").as_dict(private=True)]}))
PAYLOAD, SIGNATURE = GOOD.split(".")[1:]


def forged(**changes: Any) -> str:
    """A token with another head, signed over it by the true key: only the head is wrong."""
    head = {name: value for name, value in {**HEAD, **changes}.items() if value is not None}
    first = f"{segment(head)}.{PAYLOAD}"
    return f"{first}.{segment(RING.keys[KID].get_op_key('sign').sign(first.encode()))}"


BAD = {
    "empty": "",
    "words": "please",
    "two parts": "a.b",
    "four parts": f"{GOOD}.AA",
    "no signature": f"{GOOD.rpartition('.')[0]}.",
    "no payload": f"{segment(HEAD)}..{SIGNATURE}",
    "alg none": f"{segment({**HEAD, 'alg': 'none'})}.{PAYLOAD}.",
    "alg none, signed": forged(alg="none"),
    "alg of an HMAC": forged(alg="HS256"),
    "alg missing": forged(alg=None),
    "alg no text": forged(alg=1),
    "the newer name of the algorithm": forged(alg="Ed25519"),
    "crit": forged(crit=["exp"]),
    "crit of a known member": forged(crit=["b64"], b64=False),
    "a key brought along": forged(jwk={"kty": "OKP", "crv": "Ed25519", "x": PAYLOAD}),
    "a key's address": forged(jku="http://127.0.0.1/"),
    "unknown kid": forged(kid="x"),
    "kid missing": forged(kid=None),
    "another key under the kid": f"{GOOD.rpartition('.')[0]}.{OTHER.sign(receipts.TYPE, b'{}').rpartition('.')[2]}",
    "another payload": f"{segment(HEAD)}.{segment(b'{}')}.{SIGNATURE}",
    "padding": GOOD + "==",
    "standard base64": GOOD.replace("-", "+").replace("_", "/") + "+",
    "head in another order": f"{segment({'kid': KID, 'alg': 'EdDSA', 'typ': receipts.TYPE})}.{PAYLOAD}.{SIGNATURE}",
    "a line break inside": GOOD[:20] + "\n" + GOOD[20:],
    "not ASCII": "ü.ü.ü",
    "deep": f"{segment(b'[' * 5000)}.{PAYLOAD}.{SIGNATURE}",
    "long": "a" * (signing.MOST + 1),
    "good signature, strange content": GOOD,
    "json": json.dumps({"payload": PAYLOAD, "signatures": []}),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_not_a_receipt_of_ours_is_refused_in_plain_words(signed_world: World, name: str) -> None:
    answer = signed_world.client.post("/v1/receipts/verify", json={"receipt": BAD[name]})
    if len(BAD[name]) > signing.MOST:
        assert answer.status_code == 413
        assert not receipts.check(RING, BAD[name]).valid
        return
    found = answer.json()
    assert (answer.status_code, found["valid"], found["content"], found["on_record"], found["kid"]) == (
        200,
        False,
        None,
        None,
        None,
    )
    assert len(found["because"]) > 20


def test_every_single_flipped_bit_of_a_receipt_is_refused(signed_place: Place) -> None:
    token = receipt_of(signed_place, signed_place.recorded()["report"]["id"])
    assert receipts.check(RING, token).valid
    step = max(1, len(token) // 300)
    places = [*range(0, len(token), step), *range(len(token) - 90, len(token))]
    for at in places:
        for bit in range(7):
            flipped = token[:at] + chr(ord(token[at]) ^ (1 << bit)) + token[at + 1 :]
            assert not receipts.check(RING, flipped).valid, (at, bit)
    # The last letter of a signature carries four bits that mean nothing; still only one letter will do.
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    assert [one for one in letters if receipts.check(RING, token[:-1] + one).valid] == [token[-1]]


def test_what_was_signed_as_something_else_is_no_receipt_though_it_reads_like_one(signed_place: Place) -> None:
    token = receipt_of(signed_place, signed_place.recorded()["report"]["id"])
    payload = base64.urlsafe_b64decode(token.split(".")[1] + "==")
    assert RING.sign(receipts.TYPE, payload) == token
    assert not receipts.check(RING, RING.sign("nonreturn-log-head+json", payload)).valid


@given(
    st.text(max_size=300)
    | st.builds(".".join, st.lists(st.text(alphabet="abcdefgABC019-_=", max_size=40), min_size=3, max_size=3))
)
def test_any_text_at_all_is_answered(token: str) -> None:
    assert not receipts.check(RING, token).valid


@pytest.mark.parametrize("body", ["", "[]", '{"receipt": 1}', '{"receipt": "a", "also": 1}', "\udcff"])
def test_a_body_that_is_no_question_is_a_problem(signed_world: World, body: str) -> None:
    answer = signed_world.client.post(
        "/v1/receipts/verify", content=body.encode(errors="surrogateescape"), headers={"Content-Type": "application/json"}
    )
    assert (answer.status_code, answer.json()["type"]) == (400, "/problems/malformed")


def test_without_a_key_a_receipt_is_a_clear_problem_and_the_service_is_ready(place: Place) -> None:
    report_id = place.recorded()["report"]["id"]
    answer = place.get(f"/reports/{report_id}/receipt")
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/not-set-up")
    assert "nonreturn signing-key new" in answer.json()["detail"]
    assert place.world.client.get("/readyz").status_code == 200
    assert place.world.client.get("/.well-known/jwks.json").json() == {"keys": []}
    assert verified(place.world, GOOD)["valid"] is False


def test_a_report_of_the_largest_size_has_a_receipt_that_can_be_checked(signed_place: Place) -> None:
    text = "\U0001f6b0" * 4000
    readings = [{"component": "check", "closed_tight": True, "held_at": 1.2345678 + n} for n in range(24)]
    big = {"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": readings}
    repairs = [{"component": "check", "part": "whole_assembly", "action": "replaced"}] * 50
    first = signed_place.recorded()["report"]["id"]
    recorded = signed_place.recorded(
        initial_test=big, final_test=big, repairs=repairs, remarks=text, supersedes=first, supersedes_because=text
    )
    found = verified(signed_place.world, receipt_of(signed_place, recorded["report"]["id"]))
    assert (found["valid"], found["on_record"]) == (True, "as_signed")


# Keys.


def test_a_new_key_signs_and_the_old_one_still_proves_without_a_restart(keys_place: tuple[Place, Path]) -> None:
    place, file = keys_place
    report_id = place.recorded()["report"]["id"]
    old = receipt_of(place, report_id)
    before = place.world.client.get("/.well-known/jwks.json")
    assert before.headers["content-type"] == "application/jwk-set+json"
    made = signing.new_key(file)
    new = receipt_of(place, report_id)
    assert new != old
    assert [verified(place.world, one)["key_retired"] for one in (old, new)] == [True, False]
    keys = place.world.client.get("/.well-known/jwks.json").json()["keys"]
    assert [key["kid"] for key in keys] == [made, before.json()["keys"][0]["kid"]]
    assert all(key.keys() == {"kty", "crv", "x", "kid", "alg", "use"} for key in keys)
    # The retired key's private half is gone, so it can sign nothing more.
    assert ["d" in key for key in json.loads(file.read_text())["keys"]] == [True, False]
    # A file that is spoilt, or gone, leaves the keys read before at work.
    file.write_text("spoilt")
    assert receipt_of(place, report_id) == new
    file.unlink()
    assert receipt_of(place, report_id) == new


def test_a_key_file_is_for_its_owner_alone(tmp_path: Path) -> None:
    file = tmp_path / "new" / "keys.json"
    old_mask = os.umask(0)
    try:
        for _ in range(2):
            signing.new_key(file)
            assert stat.S_IMODE(file.stat().st_mode) == 0o600
    finally:
        os.umask(old_mask)
    assert sorted(one.name for one in file.parent.iterdir()) == ["keys.json"]


@pytest.mark.parametrize(
    "text",
    [
        "{}",
        '{"keys":1}',
        '{"keys":[{}]}',
        '{"keys":[{"kty":"oct","k":"c2VjcmV0"}]}',
        '{"keys":[{"kty":"OKP","crv":"X25519","x":"hSDwCYkwp1R0i33ctD73Wg2_Og0mOBr066SpjqqbTmo"}]}',
        '{"keys":[{"kty":"OKP","crv":"Ed25519","x":"AA"}]}',
    ],
)
def test_keys_that_are_none_of_ours_stop_the_start_and_are_not_repeated(text: str) -> None:
    with pytest.raises(ValueError, match="signing key") as refused:
        signing.KeyRing(text).keys()
    assert "c2VjcmV0" not in str(refused.value)


def test_keys_come_from_the_environment_as_a_file_or_as_themselves(tmp_path: Path) -> None:
    file = tmp_path / "keys.json"
    kid = signing.new_key(file)
    for result in (str(file), file.read_text()):
        settings = Settings.from_environment({"NONRETURN_SIGNING_KEYS": result})
        assert signing.KeyRing(settings.signing_keys).keys().current == kid
    assert signing.KeyRing(Settings.from_environment({}).signing_keys).keys().current is None


def test_the_command_line_makes_a_key(tmp_path: Path) -> None:
    options = parser().parse_args(["signing-key", "new", str(tmp_path / "keys.json")])
    assert (options.command, options.file) == ("signing-key", tmp_path / "keys.json")


def test_the_times_of_a_receipt_are_moments(signed_place: Place) -> None:
    report_id = signed_place.recorded()["report"]["id"]
    payload = json.loads(base64.urlsafe_b64decode(receipt_of(signed_place, report_id).split(".")[1] + "=="))
    for name in ("performed_at", "received_at"):
        assert dt.datetime.fromisoformat(payload["report"][name]).tzinfo is not None
