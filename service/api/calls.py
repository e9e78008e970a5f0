"""Every call of the service, in the order of the published contract."""

from service.api import (
    assembly_lists,
    batches,
    changes,
    health,
    imports,
    incidents,
    log,
    notices,
    organisations,
    pages,
    receipts,
    reference,
    registry,
    reports,
    standings,
    summaries,
    transfer,
    utilities,
    webhooks,
)
from service.api import rules as rules_calls
from service.api.operation import Operation

operations: list[Operation] = [
    *rules_calls.operations,
    *utilities.operations,
    *registry.operations,
    *reports.operations,
    *receipts.operations,
    *pages.operations,
    *log.operations,
    *batches.operations,
    *imports.operations,
    *assembly_lists.operations,
    *standings.operations,
    *incidents.operations,
    *changes.operations,
    *notices.operations,
    *webhooks.operations,
    *summaries.operations,
    *transfer.operations,
    *organisations.operations,
    *health.operations,
    *reference.operations,
]
