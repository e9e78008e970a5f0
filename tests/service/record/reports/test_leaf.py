"""A report's leaf: canonical, and bound to every column of its row."""

import datetime as dt
from uuid import uuid4

import msgspec
import pytest
import rfc8785
from msgspec.structs import replace

from service.ledger import merkle
from service.record.reports.leaf import leaf, leaf_hash
from service.record.reports.rows import ReportRow
from tests.support.databases import Database
from tests.support.world import Place

ROW = ReportRow(
    id=uuid4(),
    assembly_id=uuid4(),
    tester_id=uuid4(),
    gauge_id=uuid4(),
    performed_at=dt.datetime(2026, 5, 14, 9, 20, tzinfo=dt.timezone(dt.timedelta(hours=-7))),
    performed_on=dt.date(2026, 5, 14),
    received_at=dt.datetime(2026, 5, 14, 17, 1, 2, 345, tzinfo=dt.UTC),
    reason="periodic",
    supersedes=None,
    organisation_id=uuid4(),
    key_id=uuid4(),
    content_hash=b"\1" * 32,
    content='{"remarks":"Ü \\u0007 \U0001f6b0"}',
    judged="{}",
    verdict='{"outcome":"pass"}',
    outcome="pass",
    protection="full",
    acceptance="accepted",
    rulebook="us-wa",
    rulebook_digest="sha256:00",
    previous=None,
    company_id=uuid4(),
)
CHANGES = {
    "id": uuid4(),
    "assembly_id": uuid4(),
    "tester_id": uuid4(),
    "gauge_id": uuid4(),
    "performed_at": ROW.performed_at + dt.timedelta(microseconds=1),
    "performed_on": dt.date(2026, 5, 15),
    "received_at": ROW.received_at - dt.timedelta(days=1),
    "reason": "repair",
    "supersedes": uuid4(),
    "organisation_id": uuid4(),
    "key_id": uuid4(),
    "content_hash": b"\2" * 32,
    "content": "{}",
    "judged": "[]",
    "verdict": '{"outcome":"fail"}',
    "outcome": "fail",
    "protection": "lost",
    "acceptance": "held",
    "rulebook": "us-ca",
    "rulebook_digest": "sha256:01",
    "previous": "{}",
    "company_id": uuid4(),
}


@pytest.mark.parametrize("row", [ROW, *(replace(ROW, **{name: value}) for name, value in CHANGES.items())])
def test_a_leaf_is_canonical_json(row: ReportRow) -> None:
    result = leaf("alder", row)
    # RFC 8785, by the library that receipts are made with.
    assert rfc8785.dumps(msgspec.json.decode(result)) == result


def test_every_column_of_a_report_changes_its_leaf() -> None:
    # The last three repeat what the verdict says, which the leaf binds; the audit holds them against it.
    repeated = {"mechanical_protection", "failed_protection", "acts_as"}
    assert set(CHANGES) == set(ReportRow.__struct_fields__) - {"leaf_hash"} - repeated
    listed = [leaf("alder", ROW), leaf("birch", ROW), *(leaf("alder", replace(ROW, **{k: v})) for k, v in CHANGES.items())]
    assert len(set(listed)) == len(CHANGES) + 2


def test_the_same_moment_in_another_zone_is_the_same_leaf() -> None:
    assert leaf("alder", replace(ROW, performed_at=ROW.performed_at.astimezone(dt.UTC))) == leaf("alder", ROW)


COLUMNS = ", ".join(ReportRow.__struct_fields__)


def test_what_is_written_with_a_report_is_the_hash_of_its_row(place: Place, database: Database) -> None:
    first = place.recorded(remarks="Ü \t \u007f \U0001f6b0 </script>", performed_at="2026-05-14T09:20:00.123456-07:00")
    # Corrected by the utility, whose report goes on as the company's: the hash is of the row as it is written.
    corrected = place.report(supersedes=first["report"]["id"], supersedes_because="wrong gauge")
    assert place.put(uuid4(), corrected, key="utility").status_code == 201
    rows = database.owner(f"SELECT {COLUMNS} FROM record.report WHERE utility_id = $1", place.code)  # noqa: S608 - our own names
    assert len(rows) == 2
    for row in map(dict, rows):
        kept = row.pop("leaf_hash")
        assert kept == leaf_hash(place.code, ReportRow(**row)) == merkle.leaf_hash(leaf(place.code, ReportRow(**row)))
