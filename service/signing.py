"""Signing: compact JWS (RFC 7515) with Ed25519 (RFC 8037), one form and no other.

A token's head holds `alg`, `kid` and `typ` and nothing else: what a stranger's head asks for is never followed. `typ` says what was signed,
so that a tree head cannot pass for a receipt. RFC 9864 has since
given the algorithm the name `Ed25519` beside `EdDSA`; tokens say `EdDSA`, which every library reads.

Keys are a JWK Set (RFC 7517) in a file, or in the environment itself, never in the database. The first key that has its private part
signs; keys without one are retired, and go on to prove what they signed. A file that changes is read again, so that rotation needs no
restart.
"""

import base64
import binascii
import logging
from pathlib import Path
from typing import Any, Final, Literal

import msgspec
from joserfc import jwa, jws
from joserfc.errors import JoseError
from joserfc.jwk import OKPKey
from msgspec import UNSET, Struct, UnsetType

from service.private_files import replacing
from service.problems import problem

ALGORITHM: Final = "EdDSA"
CURVE: Final = "Ed25519"
MOST: Final = 400_000
"""The longest token that is looked at, in characters."""
_LONGEST_HEAD: Final = 1000
"""Of a token's head, in bytes: ours have about 100, and it is read before the signature is checked."""

log = logging.getLogger("nonreturn")


class PublicKey(Struct, frozen=True, kw_only=True):
    """A key of the published set; `kid` is its thumbprint (RFC 7638)."""

    kty: Literal["OKP"]
    """The key type (RFC 7517)."""
    crv: Literal["Ed25519"]
    """The curve (RFC 8037)."""
    x: str
    """The public key, base64url."""
    kid: str
    """The key's id."""
    alg: Literal["EdDSA"]
    """The algorithm."""
    use: Literal["sig"]
    """What the key is for: signatures."""


class KeySet(Struct, frozen=True, kw_only=True):
    """The keys that prove what this service signed, the one that signs now first."""

    keys: list[PublicKey]
    """The public keys, retired ones too."""


class Opened(Struct, frozen=True, kw_only=True):
    """What a good token held, and which key proved it."""

    kid: str
    payload: bytes


class NotGoodError(Exception):
    """A token that proves nothing; the message says why, in plain words."""


class _Head(Struct, frozen=True, kw_only=True):
    alg: str | UnsetType = UNSET
    kid: str | UnsetType = UNSET
    typ: str | UnsetType = UNSET


class _Registry(jws.JWSRegistry):
    """One algorithm and our own bound; the library's own look-up warns of the name that RFC 9864 replaces."""

    max_payload_length = MOST

    def get_alg(self, name: str) -> jwa.JWSAlgModel:
        """The one algorithm, whatever is asked for."""
        del name
        return self.algorithms[ALGORITHM]


_REGISTRY = _Registry()


class SigningKeys:
    """A set of keys, as read at one moment."""

    def __init__(self, keys: list[OKPKey]) -> None:
        self.keys = {key.thumbprint(): key for key in keys}
        self._signer = next((kid for kid, key in self.keys.items() if key.is_private), None)

    @property
    def current(self) -> str | None:
        """The `kid` of the key that signs; None where none can."""
        return self._signer

    def published(self) -> KeySet:
        """The public half of every key, the one that signs first."""
        order = sorted(self.keys, key=lambda kid: kid != self._signer)
        found = [
            PublicKey(kty="OKP", crv=CURVE, x=str(self.keys[kid].as_dict(private=False)["x"]), kid=kid, alg=ALGORITHM, use="sig")
            for kid in order
        ]
        return KeySet(keys=found)

    def sign(self, typ: str, payload: bytes) -> str:
        """A token; the same content and key give the same one. ProblemError where there is no key to sign with."""
        if self._signer is None:
            raise problem("signing_key_missing")
        head = {"alg": ALGORITHM, "kid": self._signer, "typ": typ}
        return jws.serialize_compact(head, payload, self.keys[self._signer], registry=_REGISTRY)

    def open(self, typ: str, token: str) -> Opened:
        """What a token of that type holds; NotGoodError for anything but a token that one of these keys signed."""
        if len(token) > MOST:
            raise NotGoodError("It is longer than anything signed here.")
        head, *_ = _parts(token)
        kid = _kid(head, typ)
        key = self.keys.get(kid)
        if key is None:
            raise NotGoodError("It names a key that is none of this service's.")
        try:
            opened = jws.deserialize_compact(token, key, registry=_REGISTRY)
        except (JoseError, ValueError):
            raise NotGoodError(
                "The signature does not fit: it was altered after signing, or never signed by the key it names."
            ) from None
        return Opened(kid=kid, payload=bytes(opened.payload or b""))


def _parts(token: str) -> list[bytes]:
    """The three parts, each written in the one way that base64url (RFC 4648, section 5) has for it."""
    parts = token.split(".")
    try:
        decoded = [base64.b64decode(part + "=" * (-len(part) % 4), altchars=b"-_", validate=True) for part in parts]
    except (ValueError, binascii.Error):
        decoded = []
    if len(decoded) != 3 or [base64url(item) for item in decoded] != parts:  # noqa: PLR2004 - a compact JWS has three parts
        raise NotGoodError("It is not three parts of base64url between two dots, as a compact JWS is.")
    return decoded


def _kid(head: bytes, typ: str) -> str:
    if len(head) > _LONGEST_HEAD:
        raise NotGoodError("Its head is longer than any of ours.")
    try:
        result: dict[str, Any] = msgspec.json.decode(head, type=dict[str, Any])
        read = msgspec.convert(result, _Head)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError):
        raise NotGoodError("Its head cannot be read.") from None
    if read.alg != ALGORITHM:
        raise NotGoodError(f"It does not name the one algorithm that is used here, {ALGORITHM}.")
    if set(result) != {"alg", "kid", "typ"}:
        raise NotGoodError("Its head holds something other than `alg`, `kid` and `typ`, or lacks one of them.")
    if read.typ != typ:
        raise NotGoodError("It was signed as something else.")
    return str(read.kid)


def base64url(data: bytes) -> str:
    """Base64url without padding (RFC 7515, section 2)."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def parse(text: str | bytes) -> SigningKeys:
    """A JWK Set of Ed25519 keys, private or public; ValueError, with what is wrong, for anything else."""
    try:
        keys = msgspec.json.decode(text, type=dict[str, list[dict[str, Any]]])["keys"]
        found = [OKPKey.import_key(key) for key in keys]
    except (msgspec.DecodeError, JoseError, KeyError, ValueError) as error:
        # What the file holds is never repeated: it may be secret.
        raise ValueError(f"The signing keys are no JWK Set of Ed25519 keys ({type(error).__name__}).") from None
    if any(key.curve_name != CURVE for key in found):
        raise ValueError("A signing key is of another curve than Ed25519.")
    return SigningKeys(found)


class KeyRing:
    """The keys at their source: a file's path, or the JWK Set itself where it begins with a brace; none where nothing is given."""

    def __init__(self, source: str | None) -> None:
        self._path = None if source is None or source.lstrip().startswith("{") else Path(source)
        self._read_at: tuple[int, int] | None = None
        self._keys = SigningKeys([]) if source is None or self._path is not None else parse(source)
        if self._path is not None:
            self._read(self._path)

    def keys(self) -> SigningKeys:
        """The keys now; those read last where the file cannot be read any more."""
        if self._path is not None:
            try:
                self._read(self._path)
            except (OSError, ValueError) as error:
                log.error("The signing keys cannot be read again, so those read before serve on: %s", error)  # noqa: TRY400 - the trace adds nothing
        return self._keys

    def _read(self, path: Path) -> None:
        about = path.stat()
        if (mark := (about.st_mtime_ns, about.st_ino)) == self._read_at:
            return
        self._keys = parse(path.read_bytes())
        self._read_at = mark
        if about.st_mode & 0o007:
            log.warning("Others on this machine may read the signing keys in %s; its mode should be 600.", path)


def new_key(path: Path) -> str:
    """Make a key that signs from now on, in a file of its own or in front of those there, which retire; its `kid`.

    What retires loses its private half here: it can prove, and sign nothing more. The file is replaced whole, with mode 600.
    """
    before = list(parse(path.read_bytes()).keys.values()) if path.exists() else []
    made = OKPKey.generate_key(CURVE, private=True)
    keys = [_marked(made, private=True), *(_marked(key, private=False) for key in before)]
    with replacing(path) as file:
        file.write(msgspec.json.format(msgspec.json.encode({"keys": keys})) + b"\n")
    return made.thumbprint()


def _marked(key: OKPKey, *, private: bool) -> dict[str, Any]:
    return {**key.as_dict(private=private and key.is_private), "kid": key.thumbprint(), "alg": ALGORITHM, "use": "sig"}
