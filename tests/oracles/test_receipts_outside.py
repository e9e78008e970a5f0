"""Signing against the published vectors of RFC 8037 and RFC 8785, and our receipts as a second JOSE library reads them."""

import base64
import json
import struct
from typing import Any

import pytest
import rfc8785
from joserfc.jwk import OKPKey
from joserfc.jws import serialize_compact
from jwcrypto import jwk, jws

from service import signing
from service.receipts import token as receipts
from tests.support.world import Place

# RFC 8037, appendix A.1 and A.2: an Ed25519 key.
PRIVATE: dict[str, Any] = {
    "kty": "OKP",
    "crv": "Ed25519",
    "d": "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A",
    "x": "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo",
}
# A.3: its thumbprint (RFC 7638). A.4 and A.5: a signature over the text, head `{"alg":"EdDSA"}`.
THUMBPRINT = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
HEAD, PAYLOAD = "eyJhbGciOiJFZERTQSJ9", "RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc"
SIGNATURE = "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"


def keys() -> signing.SigningKeys:
    """The key of RFC 8037 as this service holds it."""
    return signing.parse(json.dumps({"keys": [PRIVATE]}))


def test_the_kid_is_the_published_thumbprint() -> None:
    assert keys().current == THUMBPRINT
    [public] = keys().published().keys
    assert (public.kid, public.x, public.crv) == (THUMBPRINT, PRIVATE["x"], "Ed25519")


def test_the_library_as_it_is_used_here_makes_the_published_signature() -> None:
    made = serialize_compact(
        {"alg": "EdDSA"}, b"Example of Ed25519 signing", OKPKey.import_key(PRIVATE), registry=signing._REGISTRY
    )
    assert made == f"{HEAD}.{PAYLOAD}.{SIGNATURE}"


def test_a_second_library_takes_our_token_and_makes_the_same() -> None:
    token = keys().sign("some+json", b'{"a":1}')
    theirs = jws.JWS()
    theirs.deserialize(token, jwk.JWK(**{k: v for k, v in PRIVATE.items() if k != "d"}))
    assert theirs.payload == b'{"a":1}'
    head = {"alg": "EdDSA", "kid": THUMBPRINT, "typ": "some+json"}
    assert json.loads(theirs.objects["protected"]) == head
    made = jws.JWS(b'{"a":1}')
    made.add_signature(jwk.JWK(**PRIVATE), protected=json.dumps(head, separators=(",", ":")))
    assert made.serialize(compact=True) == token


# RFC 8785, appendix B: IEEE 754 bits, and the number as it is written.
NUMBERS = {
    "0000000000000000": "0",
    "8000000000000000": "0",
    "0000000000000001": "5e-324",
    "8000000000000001": "-5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308",
    "ffefffffffffffff": "-1.7976931348623157e+308",
    "4340000000000000": "9007199254740992",
    "c340000000000000": "-9007199254740992",
    "4430000000000000": "295147905179352830000",
    "44b52d02c7e14af5": "9.999999999999997e+22",
    "44b52d02c7e14af6": "1e+23",
    "44b52d02c7e14af7": "1.0000000000000001e+23",
    "444b1ae4d6e2ef4e": "999999999999999700000",
    "444b1ae4d6e2ef4f": "999999999999999900000",
    "444b1ae4d6e2ef50": "1e+21",
    "3eb0c6f7a0b5ed8c": "9.999999999999997e-7",
    "3eb0c6f7a0b5ed8d": "0.000001",
    "41b3de4355555553": "333333333.3333332",
    "41b3de4355555554": "333333333.33333325",
    "41b3de4355555555": "333333333.3333333",
    "41b3de4355555556": "333333333.3333334",
    "41b3de4355555557": "333333333.33333343",
    "becbf647612f3696": "-0.0000033333333333333333",
    "43143ff3c1cb0959": "1424953923781206.2",
}


@pytest.mark.parametrize(("bits", "written"), NUMBERS.items())
def test_a_number_is_written_as_published(bits: str, written: str) -> None:
    [number] = struct.unpack(">d", bytes.fromhex(bits))
    assert rfc8785.dumps(number).decode() == written


def test_the_standards_example_is_written_as_published() -> None:
    # RFC 8785, section 3.2.2 (the input) and 3.2.4 (the output, as UTF-8).
    given = r"""{
      "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
      "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
      "literals": [null, true, false]
    }"""
    written = bytes.fromhex(
        "7b226c69746572616c73223a5b6e756c6c2c747275652c66616c73655d2c226e756d62657273223a5b3333333333333333332e333333333333332c"
        "31652b33302c342e352c302e3030322c31652d32375d2c22737472696e67223a22e282ac245c75303030665c6e4127425c225c5c5c5c5c222f227d"
    )
    assert rfc8785.dumps(json.loads(given)) == written


def test_members_are_sorted_as_published() -> None:
    # RFC 8785, section 3.2.3: by UTF-16 code units.
    given = json.loads(
        r'{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One",'
        r'"\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}'
    )
    order = list(json.loads(rfc8785.dumps(given)).values())
    assert order == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


def test_a_receipt_is_good_to_a_second_library_and_its_payload_is_canonical(signed_place: Place) -> None:
    recorded = signed_place.recorded(check=0.6, remarks="Ü 🚰 </script>")
    token = signed_place.get(f"/reports/{recorded['report']['id']}/receipt").json()["receipt"]
    key_set = signed_place.world.client.get("/.well-known/jwks.json").json()
    assert all("d" not in key for key in key_set["keys"])
    theirs = jws.JWS()
    theirs.deserialize(token, jwk.JWKSet.from_json(json.dumps(key_set)))
    content: dict[str, Any] = json.loads(theirs.payload)
    assert rfc8785.dumps(content) == theirs.payload
    assert content["verdict"] == recorded["verdict"]
    assert content["report"]["remarks"] == "Ü 🚰 </script>"
    assert json.loads(base64.urlsafe_b64decode(token.split(".")[0] + "=="))["typ"] == receipts.TYPE
