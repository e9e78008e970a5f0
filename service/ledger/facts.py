"""What the second log holds: every fact that a standing rests on, besides the reports, as it was written.

Triggers write a fact for each row that is written or removed, in the same transaction (migrations, `record.note_facts`). It holds a salted
digest of the row, not the row: the row is in its own table, and what is deleted from there by law cannot be guessed from here once the salt
is deleted with it. The change feed is written down by ranges, `first-last`.
"""

import datetime as dt
import hashlib
from typing import Final

import msgspec
from msgspec import Raw, Struct

from service.ledger import merkle

TRACKED: Final[dict[str, tuple[str, ...]]] = {
    "utility": (),
    "utility_grant": ("organisation_id",),
    "premises": ("id",),
    "assembly": ("id",),
    "tester": ("id",),
    "gauge": ("id",),
    "local_rulebook": ("version",),
    "review": ("id", "version"),
    "report_request": ("organisation_id", "idempotency_key"),
    "incident": ("id",),
    "incident_version": ("incident_id", "version"),
    "incident_reach": ("incident_id", "version", "place"),
    "exception": ("id",),
    "hazard_assessment": ("id",),
    "assembly_identity_change": ("assembly_id", "version"),
    "contact_change": ("premises_id", "version"),
    "service_change": ("assembly_id", "number"),
    "assembly_correction": ("assembly_id", "version"),
    "screening": ("id",),
    "screening_decision": ("screening_id", "version"),
    "notice_schedule": (),
    "notice_run": ("id",),
    "notice": ("id",),
    "assembly_grant": ("organisation_id", "assembly_id"),
    "import_version": ("id", "version"),
    "import_thing": ("import_id", "resource", "id", "version"),
    "import_reports": ("import_id", "first_index", "until_index"),
    "webhook": ("id",),
    "log_head": ("size",),
    "fact_head": ("size",),
}
"""The tables whose rows are facts, each with the columns of its key but for the utility, as the triggers have them. All are of the schema
`record`, but for `utility_grant`."""
UNTRACKED: Final = {
    "report": "Reports have a log of their own.",
    "change": "The feed is written down by ranges, one fact for all changes of a statement.",
    "standing": "Standings follow from the reports and the facts; `nonreturn rebuild` works them out again.",
    "utility_log": "Its numbers are those of the rows that it counts; the audit compares them.",
    "log_tile": "The tree's tiles follow from the leaves; the audit works them out again.",
    "fact_tile": "As tiles of the log of reports.",
    "word": "Words that things are found by follow from the register; nothing rests on them.",
    "report_flag": "Flags that reports are found by follow from their verdicts; nothing rests on them.",
    "fact": "These are the facts themselves.",
    "webhook_progress": "How far deliveries have come; nothing about an assembly rests on it, and the feed is sent again from any number.",
    "webhook_delivery": "As its progress; delivered ones are cleared away after a time.",
    "webhook_attempt": "As its delivery.",
}
"""The tables of the record that are not, with the reason."""
SCHEMA: Final = {"utility_grant": "access"}
_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


class Fact(Struct, frozen=True, kw_only=True):
    """One fact: what happened to which row. `digest` is None where the row was removed, `salt` also where it was deleted."""

    number: int
    recorded_at: dt.datetime
    act: str
    of_table: str
    row_key: str
    detail: str | None
    salt: bytes | None
    digest: bytes | None
    leaf_hash: bytes


class FactLeaf(Struct, frozen=True, kw_only=True):
    """The leaf of a fact; members in the order of RFC 8785, so that plain encoding is canonical. `at` is microseconds since 1970."""

    act: str
    at: int
    detail: str | None
    digest: str | None
    key: str
    number: int
    table: str
    utility: str


def microseconds(moment: dt.datetime) -> int:
    """A moment in microseconds since 1970, as it is hashed."""
    return (moment - _EPOCH) // dt.timedelta(microseconds=1)


def fact_leaf_hash(utility: str, fact: Fact) -> bytes:
    """The hash under which a fact is in its utility's tree (RFC 9162, section 2.1.1)."""
    leaf = FactLeaf(
        act=fact.act,
        at=microseconds(fact.recorded_at),
        detail=fact.detail,
        digest=None if fact.digest is None else fact.digest.hex(),
        key=fact.row_key,
        number=fact.number,
        table=fact.of_table,
        utility=utility,
    )
    return merkle.leaf_hash(msgspec.json.encode(leaf))


def row_text(row: bytes) -> bytes:
    """A row, which is JSON as Postgres writes `jsonb`, as the text that its digest is of: without the columns that are null.

    Columns added later leave old digests as they are. Postgres orders members by their length, then by their bytes.
    """
    members = {name.encode(): bytes(value) for name, value in msgspec.json.decode(row, type=dict[str, Raw]).items()}
    kept = sorted((len(name), name, value) for name, value in members.items() if value != b"null")
    return b"{" + b", ".join(b'"' + name + b'": ' + value for _, name, value in kept) + b"}"


def row_digest(salt: bytes, text: bytes) -> bytes:
    """The salted digest of a row's text."""
    return hashlib.sha256(salt + text).digest()


def is_of(fact: Fact, text: bytes) -> bool:
    """Whether a fact was written of that text."""
    return fact.salt is not None and fact.digest == row_digest(fact.salt, text)
