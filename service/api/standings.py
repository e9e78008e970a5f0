"""The standing of an assembly: current, due, overdue, failed, untested, out of service."""

import rules
from service.api.operation import Answer, Call, operation
from service.records.reports import read_standing


@operation(
    "GET", "/v1/utilities/{utility:str}/assemblies/{id:uuid}/standing", id="readStanding", summary="How an assembly stands today",
    answers={200: rules.Standing}, tag="assemblies", right="read",
)  # fmt: skip
async def standing(call: Call) -> Answer:
    """Work out how an assembly stands today."""
    utility = await call.services.registry.utility(call.utility)
    return Answer(body=await read_standing(call.services.reports, utility, call.id("id"), now=call.clock.now()))


operations = [standing]
