"""The only place where the parts meet: settings in, a running ASGI application out."""

import errno
import logging
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, nullcontext
from importlib import import_module, metadata
from typing import Any, cast

from litestar import Litestar, Request, Response
from litestar.exceptions import HTTPException
from litestar.handlers import HTTPRouteHandler
from litestar.types import ASGIApp

from rules import RulesError
from service import endpoints as calls
from service.auth.access import Gatekeeper
from service.auth.store import AccessStore
from service.clock import Clock, SystemClock
from service.db.pool import Pool
from service.db.replica import Reader
from service.http import documents
from service.http.compression import Compressed
from service.http.direct import Direct
from service.http.edge import Edge, path_to_log
from service.http.problem_details import MEDIA_TYPE, RefusedByFrameworkError, body_of, headers_of, status_of
from service.ledger.fact_store import FactStore
from service.ledger.store import LogStore
from service.metrics import Metrics
from service.notices.runs import NoticeRuns
from service.notices.store import NoticeStore
from service.problems import ProblemError, fault, problem
from service.record.changes.feed import Feeds
from service.record.reports import api as reports
from service.record.reports.store import ReportStore
from service.record.reports.submit import Submissions
from service.record.standings.follow import StandingsFollow
from service.registry.store import RegistryStore
from service.services import Services
from service.settings import Settings
from service.webhooks.deliveries import Deliverer
from service.webhooks.outbound import Sender
from service.webhooks.store import WebhookStore
from service.webhooks.subscriptions import Webhooks

VERSION = metadata.version("nonreturn")
"""As pyproject.toml has it, and nothing else."""
log = logging.getLogger("nonreturn")

# What the framework itself refuses, by status.
_FRAMEWORK = {
    400: "unreadable_request",
    404: "address_not_found",
    405: "method_not_allowed",
    413: "body_too_large",
    415: "media_type_unknown",
}


_FULL = (errno.ENOSPC, errno.EDQUOT)


def create_app(settings: Settings, dsn: str, clock: Clock | None = None) -> ASGIApp:
    """The application, working in the database at `dsn`; the pool opens when the application starts."""
    clock = clock or SystemClock()
    services = Services(settings=settings, clock=clock)
    services.feeds = Feeds()

    @asynccontextmanager
    async def connected(_app: Litestar) -> AsyncIterator[None]:
        pool = await Pool.open(dsn, size=settings.pool)
        writers = await Pool.open(dsn, size=max(1, settings.pool // 2), repeating=True)
        services.pool = pool
        services.reader = Reader(
            pool,
            settings.reader_dsn,
            size=settings.pool,
            bound=settings.reader_behind,
            clock=clock,
            metrics=services.metrics,
        )
        services.reader.start()
        services.access = AccessStore(pool)
        services.gatekeeper = Gatekeeper(services.access, clock, remember_seconds=settings.key_cache_seconds)
        services.registry = RegistryStore(pool)
        services.reports = ReportStore(pool)
        services.follower = StandingsFollow(services.reports)
        services.log = LogStore(pool)
        services.facts = FactStore(pool)
        services.submissions = Submissions(ReportStore(writers), clock, services.metrics)
        services.notice_runs = NoticeRuns(NoticeStore(pool), services.registry, clock)
        services.webhooks = Webhooks(
            WebhookStore(pool),
            settings.webhook_key,
            private=settings.webhooks_private,
            most=settings.webhook_policy.most_of_a_utility,
        )
        try:
            async with delivering(settings, dsn, clock, services.metrics) if settings.deliver else nullcontext():
                yield
        finally:
            await services.submissions.close()
            await services.notice_runs.close()
            await services.reader.close()
            await writers.close()
            await pool.close()
            services.close()

    inside = Litestar(
        [*_options(), *(operation.handler(services) for operation in calls.operations)],
        lifespan=[connected],
        openapi_config=None,
        logging_config=None,
        exception_handlers=dict.fromkeys((ProblemError, RulesError, HTTPException, Exception), _problem),
        request_max_body_size=settings.body_limit,
    )
    short = Direct(inside, services, [reports.put_report, reports.post_report], problem_for)
    edge = Edge(Compressed(short), services)
    return traced(edge) if settings.telemetry else edge


def _options() -> list[HTTPRouteHandler]:
    """What may be done at each address (RFC 9110, 9.3.7); the framework's own answer names only the method that it met first."""

    def answering(path: str) -> HTTPRouteHandler:
        methods = sorted({operation.method for operation in calls.operations if operation.path == path} | {"OPTIONS"})
        allow = ", ".join([*methods, "HEAD"] if "GET" in methods else methods)

        async def options() -> Response[bytes]:
            return Response(b"", status_code=200, media_type="text/plain", headers={"Allow": allow})

        options.__annotations__ = {"return": Response}
        return HTTPRouteHandler(path, http_method=["OPTIONS"], name=f"options {path}", include_in_schema=False, status_code=200)(
            options
        )

    return [answering(path) for path in dict.fromkeys(operation.path for operation in calls.operations)]


def traced(app: ASGIApp) -> ASGIApp:
    """The application, reporting each request to OpenTelemetry; RuntimeError where its packages are not installed."""
    try:
        asgi = import_module("opentelemetry.instrumentation.asgi")
    except ImportError:
        raise RuntimeError("NONRETURN_TELEMETRY needs the extra: pip install 'nonreturn[telemetry]'.") from None
    # Our paths carry ids, which would make a name of its own for each request; the method alone names the span, the path is an attribute.
    traced_app = asgi.OpenTelemetryMiddleware(
        app, default_span_details=lambda scope: (scope["method"], {}), server_request_hook=_hide_mark
    )
    return cast("ASGIApp", traced_app)


def _hide_mark(span: Any, scope: Any) -> None:
    """Leave the mark of a receipt's page out of what a span says of its request."""
    path, shown = scope["path"], path_to_log(scope["path"])
    if path != shown and span.is_recording():
        for name, value in dict(span.attributes or {}).items():
            if isinstance(value, str) and "/receipts/" in value.lower():
                span.set_attribute(name, shown)


@asynccontextmanager
async def delivering(settings: Settings, dsn: str, clock: Clock, metrics: Metrics) -> AsyncIterator[None]:
    """Webhooks are sent meanwhile, where there is a key to sign them with, on connections of their own: no report waits for them."""
    if settings.webhook_key is None:
        yield
        return
    policy = settings.webhook_policy
    sender = Sender(
        private=settings.webhooks_private,
        connections=2 * policy.at_once,
        connect_seconds=policy.connect_seconds,
        answer_seconds=policy.answer_seconds,
    )
    pool = await Pool.open(dsn, size=2)
    deliverer = Deliverer(WebhookStore(pool), settings.webhook_key, clock=clock, sender=sender, policy=policy, metrics=metrics)
    deliverer.start()
    try:
        yield
    finally:
        await deliverer.close()
        await pool.close()


def problem_for(error: Exception, method: str, path: str) -> ProblemError:
    """The problem that an error is answered with."""
    if isinstance(error, ProblemError):
        return error
    if isinstance(error, RulesError):
        return documents.from_rules(error)
    if isinstance(error, HTTPException):
        return RefusedByFrameworkError(fault(_FRAMEWORK.get(error.status_code, "service_failed")), error.headers or {})
    if getattr(error, "errno", None) in _FULL or getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL:
        log.error("%s %s: the disk is full", method, path_to_log(path))
        return problem("disk_full", wait=60)
    log.error("%s %s failed", method, path_to_log(path), exc_info=error)
    return problem("service_failed")


def _problem(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    path = request.url.path
    refused = problem_for(error, request.method, path)
    return Response(body_of(refused, path), status_code=status_of(refused), media_type=MEDIA_TYPE, headers=headers_of(refused))
