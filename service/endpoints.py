"""Every call of the service, in the order of the published contract."""

from service.http import health
from service.http.endpoint import Operation
from service.imports import api as imports
from service.imports import runs_api as import_runs
from service.ledger import api as log
from service.local_rulebooks import api as local_rulebooks
from service.notices import api as notices
from service.openapi import api as reference
from service.organisations import api as organisations
from service.organisations import assembly_grants_api as assembly_grants
from service.organisations import grants_api as grants
from service.receipts import api as receipts
from service.receipts import pages_api as pages
from service.record.assessments import api as assessments
from service.record.changes import api as changes
from service.record.incidents import api as incidents
from service.record.inspections import api as inspections
from service.record.reports import api as reports
from service.record.reports import batches_api as batches
from service.record.reviews import api as reviews
from service.record.standings import api as standings
from service.record.standings import lists_api as assembly_lists
from service.registry import api as registry
from service.registry import utilities_api as utilities
from service.rules import api as rules_calls
from service.screenings import api as screenings
from service.summaries import api as summaries
from service.transfer import api as transfer
from service.webhooks import api as webhooks

operations: list[Operation] = [
    *rules_calls.operations,
    *utilities.operations,
    *local_rulebooks.operations,
    *grants.operations,
    *registry.operations,
    *reports.operations,
    *inspections.operations,
    *reviews.operations,
    *receipts.operations,
    *pages.operations,
    *log.operations,
    *batches.operations,
    *imports.operations,
    *import_runs.operations,
    *assembly_lists.operations,
    *standings.operations,
    *incidents.operations,
    *assessments.operations,
    *screenings.operations,
    *changes.operations,
    *notices.operations,
    *webhooks.operations,
    *summaries.operations,
    *transfer.operations,
    *organisations.operations,
    *assembly_grants.operations,
    *health.operations,
    *reference.operations,
]
