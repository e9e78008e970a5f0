"""The groups of calls, in the order in which the contract and the reference page list them."""

from typing import Final

TAGS: Final = {
    "rules": "Judge a test, select an assembly, check a placement, simulate an assembly. Nothing is stored; no key is needed.",
    "utilities": "Water utilities: their rulebook, time zone and settings; their whole record as an export.",
    "premises": "The customers' premises.",
    "assemblies": "The register of assemblies and their standings.",
    "testers": "Testers and their certificates.",
    "gauges": "Gauges and their calibrations.",
    "inspections": "Inspections of air gaps, atmospheric vacuum breakers and barometric loops. A wrong one is superseded.",
    "reports": "Reports of field tests: submitted, judged, kept. A report is never changed; a new one supersedes it.",
    "reviews": "Held reports, and what a person decided of them.",
    "incidents": "Backflow incidents, and the tests that they make due.",
    "exceptions": "Exceptions from a due test, for a time.",
    "hazard assessments": "Hazard assessments of premises.",
    "notices": "Notices to customers: what is due, failed or unprotected; their schedule and wording.",
    "screenings": "Records that deserve a second look.",
    "summaries": "The yearly figures that a regulator asks for.",
    "receipts": "Signed receipts of reports, and the keys that verify them.",
    "log": "The log of reports: signed tree heads and proofs (RFC 9162).",
    "changes": "Every change of the record, in order.",
    "webhooks": "Changes sent to an address of yours.",
    "imports": "Spreadsheets of premises, assemblies and past tests.",
    "access": "Organisations, their API keys, and what each may see.",
    "operation": "Whether the service is alive and ready; its metrics.",
}
