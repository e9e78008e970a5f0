"""The yearly summary, as JSON or as a table."""

from service.api.operation import JSON, Answer, Call, operation
from service.api.tables import CSV, chosen, csv_rows
from service.records.summaries import Figures, YearlySummary, summarise
from service.store.summaries import SummaryStore


@operation(
    "GET", "/v1/utilities/{utility:str}/summaries/{year:int}", id="readSummary", summary="A year in figures, as regulators ask for it",
    answers={200: YearlySummary}, media_types={200: (JSON, CSV)}, tag="summaries", right="read",
)  # fmt: skip
async def summary(call: Call) -> Answer:
    """Count a year."""
    utility = await call.services.registry.utility(call.utility)
    year = int(call.text("year"))
    told = await summarise(SummaryStore(call.services.pool), utility, year, now=call.clock.now())
    if chosen(call, (JSON, CSV)) == JSON:
        return Answer(body=told, headers={"Vary": "Accept"})
    names = Figures.__struct_fields__
    rows = [
        ["kind", "hazard", *names],
        *([one.kind, one.hazard, *(getattr(one, name) for name in names)] for one in told.groups),
        ["total", "", *(getattr(told.total, name) for name in names)],
    ]
    headers = {"Vary": "Accept", "Content-Disposition": f'attachment; filename="summary-{told.year}.csv"'}
    return Answer(body=csv_rows(rows), media_type=f"{CSV}; header=present", headers=headers)


operations = [summary]
