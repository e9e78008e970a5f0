"""What operators watch: requests and their times, verdicts, reports written together and waiting, and what became of webhooks.

Counted per process, served at `/metrics` as OpenMetrics. No label holds a utility, a key or an id.
"""

import math

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest

MEDIA_TYPE = CONTENT_TYPE_LATEST


class Metrics:
    """The counters of one application."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        self._requests = Counter("nonreturn_requests", "Requests answered.", ["operation", "status"], registry=self._registry)
        self._answered: dict[tuple[str, int], tuple[Counter, Histogram]] = {}
        self._seconds = Histogram("nonreturn_request_seconds", "Time to the answer.", ["operation"], registry=self._registry)
        self._verdicts = Counter("nonreturn_verdicts", "Verdicts recorded.", ["outcome", "acceptance"], registry=self._registry)
        self._together = Histogram(
            "nonreturn_reports_together",
            "Reports written by one commit.",
            buckets=(1, 2, 4, 8, 16, 32, 64, 128, 256),
            registry=self._registry,
        )
        self.in_flight = Gauge("nonreturn_requests_in_flight", "Requests that are being answered.", registry=self._registry)
        self.waiting = Gauge("nonreturn_reports_waiting", "Reports that wait to be written.", registry=self._registry)

        self.replica_behind = Gauge(
            "nonreturn_replica_behind_seconds",
            "How far the replica is behind at most; NaN while it is not read from.",
            registry=self._registry,
        )
        self.replica_behind.set(math.nan)
        self.webhooks = Counter(
            "nonreturn_webhook_messages",
            "Attempts to deliver a webhook's message, by what they came to.",
            ["outcome"],
            registry=self._registry,
        )
        self.webhooks_oldest = Gauge(
            "nonreturn_webhook_oldest_seconds",
            "Age of the oldest change that an enabled webhook has not delivered.",
            registry=self._registry,
        )

    def answered(self, operation: str, status: int, seconds: float) -> None:
        """Count a request."""
        known = self._answered.get((operation, status))
        if known is None:
            # Looking a label up costs more than counting.
            known = self._requests.labels(operation, str(status)), self._seconds.labels(operation)
            self._answered[operation, status] = known
        known[0].inc()
        known[1].observe(seconds)

    def recorded(self, verdicts: list[tuple[str, str]]) -> None:
        """Count the reports of one commit, each by outcome and acceptance."""
        self._together.observe(len(verdicts))
        for outcome, acceptance in verdicts:
            self._verdicts.labels(outcome, acceptance).inc()

    def text(self) -> bytes:
        """All of it, as OpenMetrics."""
        return bytes(generate_latest(self._registry))  # type: ignore[no-untyped-call]
