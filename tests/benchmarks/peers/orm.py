"""FastAPI, Pydantic and the SQLAlchemy ORM: what a team writes first; one session and one transaction a report."""

import datetime as dt
import json
from typing import Annotated, Any, ClassVar
from uuid import UUID

import msgspec
from fastapi import FastAPI, Header, Request
from sqlalchemy import DateTime, FetchedValue, ForeignKeyConstraint, exists, func, select
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.ext.asyncio import async_sessionmaker, create_async_engine
from sqlalchemy.orm import DeclarativeBase, Mapped, aliased, joinedload, mapped_column, relationship

from tests.benchmarks.peers.common import (
    DSN,
    POOL,
    AssemblyRow,
    FactsRow,
    HistoryRow,
    Keys,
    ReportRow,
    UtilityOnRecord,
    decoder,
    judged,
    standing_of,
)
from tests.benchmarks.peers.model import RecordedModel, RecordedReport, ReportModel


class Base(DeclarativeBase):
    type_annotation_map: ClassVar[Any] = {dt.datetime: DateTime(timezone=True)}
    __table_args__: ClassVar[Any] = {"schema": "record"}  # type: ignore[misc] # the base says less of it


class UtilityRecord(Base):
    __tablename__ = "utility"
    utility_id: Mapped[str] = mapped_column(primary_key=True)
    version: Mapped[int]
    created_at: Mapped[dt.datetime]
    changed_at: Mapped[dt.datetime]
    name: Mapped[str]
    rulebook: Mapped[str]
    time_zone: Mapped[str]
    due_soon_days: Mapped[int]


class UtilityLog(Base):
    __tablename__ = "utility_log"
    utility_id: Mapped[str] = mapped_column(primary_key=True)
    reports: Mapped[int]


class Premises(Base):
    __tablename__ = "premises"
    utility_id: Mapped[str] = mapped_column(primary_key=True)
    id: Mapped[UUID] = mapped_column(primary_key=True)
    connection: Mapped[str]


class Assembly(Base):
    __tablename__ = "assembly"
    __table_args__: ClassVar[Any] = (  # type: ignore[misc] # the base says less of it
        ForeignKeyConstraint(["utility_id", "premises_id"], ["record.premises.utility_id", "record.premises.id"]),
        {"schema": "record"},
    )
    utility_id: Mapped[str] = mapped_column(primary_key=True)
    id: Mapped[UUID] = mapped_column(primary_key=True)
    premises_id: Mapped[UUID]
    kind: Mapped[str]
    hazard: Mapped[str]
    purpose: Mapped[str | None]
    backpressure_possible: Mapped[bool | None]
    in_plant_air_gap: Mapped[bool | None]
    nominal_size: Mapped[Any] = mapped_column(JSONB)
    installed_on: Mapped[dt.date | None]
    in_service: Mapped[bool]
    created_at: Mapped[dt.datetime]
    premises: Mapped[Premises] = relationship()


class Tester(Base):
    __tablename__ = "tester"
    utility_id: Mapped[str] = mapped_column(primary_key=True)
    id: Mapped[UUID] = mapped_column(primary_key=True)
    certificates: Mapped[Any] = mapped_column(JSONB)


class Gauge(Base):
    __tablename__ = "gauge"
    utility_id: Mapped[str] = mapped_column(primary_key=True)
    id: Mapped[UUID] = mapped_column(primary_key=True)
    units: Mapped[Any] = mapped_column(JSONB)
    accuracy: Mapped[float]
    resolution: Mapped[float]
    calibrations: Mapped[Any] = mapped_column(JSONB)


class ReportRecord(Base):
    __tablename__ = "report"
    utility_id: Mapped[str] = mapped_column(primary_key=True)
    id: Mapped[UUID] = mapped_column(primary_key=True)
    log_index: Mapped[int]
    assembly_id: Mapped[UUID]
    tester_id: Mapped[UUID]
    gauge_id: Mapped[UUID]
    performed_at: Mapped[dt.datetime]
    performed_on: Mapped[dt.date]
    received_at: Mapped[dt.datetime]
    reason: Mapped[str]
    supersedes: Mapped[UUID | None]
    organisation_id: Mapped[UUID]
    key_id: Mapped[UUID]
    content_hash: Mapped[bytes]
    content: Mapped[str] = mapped_column(deferred=True)
    judged: Mapped[str] = mapped_column(deferred=True)
    verdict: Mapped[str] = mapped_column(deferred=True)
    outcome: Mapped[str]
    protection: Mapped[str]
    acceptance: Mapped[str]
    rulebook: Mapped[str]
    rulebook_digest: Mapped[str]
    previous: Mapped[str | None] = mapped_column(deferred=True)
    leaf_hash: Mapped[bytes | None]
    company_id: Mapped[UUID | None]
    mechanical_protection: Mapped[str | None]
    failed_protection: Mapped[str | None]
    acts_as: Mapped[str | None]
    __mapper_args__: ClassVar[Any] = {"eager_defaults": False}  # type: ignore[misc] # the base says less of it
    # Made by Postgres, and read with an assembly's history.
    initial_outcome: Mapped[str | None] = mapped_column(FetchedValue())


class StandingRecord(Base):
    __tablename__ = "standing"
    utility_id: Mapped[str] = mapped_column(primary_key=True)
    assembly_id: Mapped[UUID] = mapped_column(primary_key=True)
    version: Mapped[int]
    due_on: Mapped[dt.date | None]
    basis: Mapped[str]
    rests_version: Mapped[int | None]
    rests_on: Mapped[str | None]
    latest_at: Mapped[dt.datetime | None]


ENGINE = create_async_engine(DSN.replace("postgresql://", "postgresql+asyncpg://"), pool_size=POOL, max_overflow=0)
SESSIONS = async_sessionmaker(ENGINE, expire_on_commit=False)
keys = Keys()
app = FastAPI()


@app.put("/v1/utilities/{utility}/reports/{report_id}", status_code=201)
async def put_report(
    utility: str, report_id: UUID, document: ReportModel, request: Request, authorization: Annotated[str | None, Header()] = None
) -> RecordedModel:
    who = await keys.principal(authorization, utility)
    # The rules take structs: what Pydantic has found good is decoded once more, which costs a few microseconds.
    facts = decoder.decode(await request.body())
    async with SESSIONS() as opened, opened.begin():
        await opened.execute(select(func.set_config("nonreturn.utility", utility, True)))  # noqa: FBT003 - Postgres's own order
        place = await opened.get_one(UtilityRecord, utility)
        judging = UtilityOnRecord(
            code=place.utility_id,
            version=place.version,
            created_at=place.created_at,
            changed_at=place.changed_at,
            name=place.name,
            rulebook=place.rulebook,
            time_zone=place.time_zone,
            due_soon_days=place.due_soon_days,
        )
        assembly = await opened.get_one(Assembly, (utility, document.assembly_id), options=[joinedload(Assembly.premises)])
        tester = await opened.get_one(Tester, (utility, document.tester_id))
        gauge = await opened.get_one(Gauge, (utility, document.gauge_id))
        later = aliased(ReportRecord)
        previous = await opened.scalar(
            select(ReportRecord.judged)
            .where(
                ReportRecord.utility_id == utility,
                ReportRecord.assembly_id == document.assembly_id,
                ReportRecord.performed_at < document.performed_at,
                ReportRecord.acceptance != "refused",
                ~exists().where(later.utility_id == utility, later.supersedes == ReportRecord.id),
            )
            .order_by(ReportRecord.performed_at.desc(), ReportRecord.id.desc())
            .limit(1)
        )
        hazard: Any = assembly.hazard
        purpose: Any = assembly.purpose
        known = FactsRow(
            n=1,
            kind=assembly.kind,
            hazard=hazard,
            purpose=purpose,
            backpressure_possible=assembly.backpressure_possible,
            in_plant_air_gap=assembly.in_plant_air_gap,
            nominal_size=None if assembly.nominal_size is None else json.dumps(assembly.nominal_size),
            installed_on=assembly.installed_on,
            in_service=assembly.in_service,
            connection=assembly.premises.connection,
            created_at=assembly.created_at,
            certificates=json.dumps(tester.certificates),
            tester_known=True,
            accuracy=gauge.accuracy,
            resolution=gauge.resolution,
            gauge_unit=gauge.units["pressure"],
            calibrations=json.dumps(gauge.calibrations),
            previous_judged=previous,
        )
        result = judged(judging, report_id, facts, who, known)
        row = result.row
        log = await opened.get_one(UtilityLog, utility, with_for_update=True)
        index = log.reports
        found = await opened.scalars(
            select(ReportRecord)
            .where(ReportRecord.utility_id == utility, ReportRecord.assembly_id == document.assembly_id)
            .order_by(ReportRecord.performed_at, ReportRecord.received_at, ReportRecord.id)
        )
        history = [
            HistoryRow(
                **{name: getattr(one, name) for name in HistoryRow.__struct_fields__ if name not in ("declared", "notified_on")}
                | {"protection": one.mechanical_protection}
            )
            for one in found
        ]
        about = AssemblyRow(
            basis=None,
            kind=assembly.kind,
            hazard=hazard,
            purpose=purpose,
            backpressure_possible=assembly.backpressure_possible,
            in_plant_air_gap=assembly.in_plant_air_gap,
            installed_on=assembly.installed_on,
            in_service=assembly.in_service,
            connection=assembly.premises.connection,
            created_at=assembly.created_at,
        )
        standing, kept = standing_of(judging, about, history, result)
        opened.add(
            ReportRecord(
                utility_id=utility, log_index=index, **{name: getattr(row, name) for name in ReportRow.__struct_fields__}
            )
        )
        record = await opened.get(StandingRecord, (utility, document.assembly_id))
        if record is None:
            record = StandingRecord(utility_id=utility, assembly_id=kept.assembly_id, version=0)
            opened.add(record)
        record.version, record.due_on, record.basis = record.version + 1, kept.due_on, kept.basis
        record.rests_on, record.latest_at = kept.rests_on, kept.latest_at
        record.rests_version = None if kept.rests_on is None else record.version
    return RecordedModel(
        report=RecordedReport(id=row.id, utility=utility, received_at=row.received_at, **document.model_dump()),
        verdict=json.loads(row.verdict),
        standing=msgspec.to_builtins(standing),
    )
