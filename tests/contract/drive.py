"""The generated Python client does a day's work against the demo named by its --ready file: python drive.py CLIENT_FOLDER READY_FILE."""

import datetime as dt
import json
import sys
import time
import uuid
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

client_folder, ready_file = map(Path, sys.argv[1:3])
sys.path.insert(0, str(client_folder.parent))

# ruff: noqa: E402, I001 - the package is generated, and found only now
from contract_client import AuthenticatedClient, Client
from contract_client.api.assemblies import create_assembly, list_assemblies, read_assembly, update_assembly
from contract_client.api.changes import list_changes
from contract_client.api.premises import create_premises
from contract_client.api.receipts import read_receipt, verify_receipt
from contract_client.api.reports import create_report, submit_report
from contract_client.api.rules import judge_test
from contract_client import models


def check(claim: bool, what: str) -> None:  # noqa: FBT001 - a claim is what it is
    """Say what holds, or stop."""
    if not claim:
        sys.exit(f"Not so: {what}")
    print(f"ok  {what}")


def must(answer: Any, shape: Any) -> Any:
    """The parsed body of a good answer."""
    if not isinstance(answer.parsed, shape):
        sys.exit(f"{answer.status_code}: {answer.content[:2000]!r}")
    return answer.parsed


ready = json.loads(ready_file.read_text(encoding="utf-8"))
utility = ready["utility"]
anyone = Client(base_url=ready["url"])
client = AuthenticatedClient(base_url=ready["url"], token=ready["keys"]["utility"])

SHUTOFFS = {"inlet": "tight", "outlet": "tight"}
AIR_INLET = {"component": "air_inlet", "opened": True, "opened_at": 1.4, "opened_fully": True}
FAILING = {"shutoffs": SHUTOFFS, "readings": [AIR_INLET, {"component": "check", "closed_tight": True, "held_at": 0.6}]}
PASSING = {"shutoffs": SHUTOFFS, "readings": [AIR_INLET, {"component": "check", "closed_tight": True, "held_at": 1.6}]}

test = models.Test.from_dict(
    {
        "rulebook": "us-wa",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": "pvb", "hazard": "health"},
        "units": {"pressure": "psi"},
        "initial_test": FAILING,
    }
)
verdict = must(judge_test.sync_detailed(client=anyone, body=test), models.Verdict)
check(verdict.outcome == models.Outcome.FAIL, "a vacuum breaker whose check holds 0.6 psi fails")

premises_facts = models.PremisesFacts.from_dict(
    {"name": "Mill Lane Dairy", "address": "5 Mill Lane", "connection": "non_residential"}
)
premises = must(create_premises.sync_detailed(utility, client=client, body=premises_facts), models.Premises)
assembly_facts = models.AssemblyFacts.from_dict(
    {
        "premises_id": str(premises.id),
        "kind": "pvb",
        "hazard": "health",
        "purpose": "point_of_use",
        "serial_number": f"PY-{premises.id}",
    }
)
assembly = must(create_assembly.sync_detailed(utility, client=client, body=assembly_facts), models.Assembly)
check(assembly.kind == "pvb", "premises and an assembly are registered")

read = read_assembly.sync_detailed(utility, assembly.id, client=client)
patch = models.AssemblyPatch.from_dict({"position": "In the milking parlour"})
changed = must(
    update_assembly.sync_detailed(utility, assembly.id, client=client, body=patch, if_match=read.headers["ETag"]), models.Assembly
)
check(changed.position == "In the milking parlour", "a merge patch changes an assembly")

tested = (dt.datetime.fromtimestamp(time.time(), dt.UTC) - dt.timedelta(hours=1)).isoformat()
facts = {
    "assembly_id": str(assembly.id),
    "tester_id": ready["testers"][0],
    "gauge_id": ready["gauges"][0],
    "performed_at": tested,
    "reason": "installation",
    "units": {"pressure": "psi"},
    "initial_test": FAILING,
}
report_id = uuid.uuid4()
body = models.ReportFacts.from_dict(facts)
first = submit_report.sync_detailed(utility, report_id, client=client, body=body)
again = submit_report.sync_detailed(utility, report_id, client=client, body=body)
check((first.status_code, again.status_code) == (201, 200), "a report is recorded once, however often it is sent")
check(must(first, models.RecordedReport).verdict.outcome == models.Outcome.FAIL, "the report fails")

because = "The check held 1.6; it was mistyped."
correction = models.ReportFacts.from_dict(
    {**facts, "initial_test": PASSING, "supersedes": str(report_id), "supersedes_because": because}
)
corrected = must(create_report.sync_detailed(utility, client=client, body=correction), models.RecordedReport)
check(corrected.verdict.outcome == models.Outcome.PASS, "a new report supersedes the first")

seen: set[uuid.UUID] = set()
after = None
while True:
    page = must(
        list_assemblies.sync_detailed(utility, client=client, limit=2, **({} if after is None else {"after": after})),
        models.AssemblyPage,
    )
    seen |= {item.id for item in page.items}
    if page.next_ is None:
        break
    after = parse_qs(urlsplit(page.next_).query)["after"][0]
check(assembly.id in seen, f"paging shows every assembly once ({len(seen)})")

cursor, changes = 0, []
while found := must(list_changes.sync_detailed(utility, client=client, after=cursor, limit=500), models.Changes).items:
    changes += found
    cursor = found[-1].sequence
check([change.id for change in changes].count(str(report_id)) == 1, "the change feed shows the report once")

receipt = must(read_receipt.sync_detailed(utility, report_id, client=client), models.Receipt)
to_check = models.ReceiptToVerify.from_dict({"receipt": receipt.receipt})
verification = must(verify_receipt.sync_detailed(client=anyone, body=to_check), models.Verification)
check(verification.valid, "the receipt is genuine")
print("The Python client is done.")
