"""A report as Pydantic reads it, with the bounds that the service's own struct has."""

import datetime as dt
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field

Number = Annotated[float, Field(ge=-100_000, le=100_000, allow_inf_nan=False)]
Line = Literal["main", "bypass"]
Text = Annotated[str, Field(max_length=4000)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Units(_Strict):
    pressure: Literal["psi", "kPa", "bar"]
    length: Literal["in", "ft", "mm", "m"] | None = None


class Check(_Strict):
    component: Literal["check_1", "check_2", "check"]
    closed_tight: bool | None = None
    held_at: Number | None = None
    line: Line = "main"


class ReliefValve(_Strict):
    component: Literal["relief_valve"]
    opened: bool | None = None
    opened_at: Number | None = None
    line: Line = "main"


class AirInlet(_Strict):
    component: Literal["air_inlet"]
    opened: bool | None = None
    opened_at: Number | None = None
    opened_fully: bool | None = None
    line: Line = "main"


Shutoff = Literal["tight", "leaking", "leaking_no_flow_proved", "not_checked"]


class Shutoffs(_Strict):
    inlet: Shutoff = "not_checked"
    outlet: Shutoff = "not_checked"


class Phase(_Strict):
    readings: Annotated[list[Annotated[Check | ReliefValve | AirInlet, Field(discriminator="component")]], Field(max_length=24)]
    shutoffs: Shutoffs = Shutoffs()


class Repair(_Strict):
    component: Literal["check_1", "relief_valve", "check_2", "check", "air_inlet"] | None = None
    part: Literal[
        "disc",
        "seat",
        "spring",
        "guide",
        "diaphragm",
        "o_ring",
        "stem",
        "body",
        "test_cock",
        "shutoff",
        "whole_assembly",
        "other",
    ]
    action: Literal["cleaned", "replaced", "adjusted", "other"]
    line: Line = "main"


class ReportModel(_Strict):
    """What is sent."""

    assembly_id: UUID
    tester_id: UUID
    gauge_id: UUID
    performed_at: dt.datetime
    reason: Literal["installation", "periodic", "repair", "relocation", "incident", "other"]
    units: Units
    initial_test: Phase
    rulebook: str | None = None
    line_pressure: Number | None = None
    gauge_height_above_assembly: Number | None = None
    repairs: Annotated[list[Repair], Field(max_length=50)] | None = None
    final_test: Phase | None = None
    declared: Literal["pass", "fail", "incomplete"] | None = None
    remarks: Text | None = None
    supersedes: UUID | None = None
    supersedes_because: Text | None = None


class RecordedReport(ReportModel):
    """The same, as it is kept."""

    id: UUID
    utility: str
    received_at: dt.datetime


class RecordedModel(BaseModel):
    """What is answered."""

    report: RecordedReport
    verdict: dict[str, Any]
    standing: dict[str, Any]
