"""What a call may use, put together once by `create_app`; the parts that need the database come when the application starts."""

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from service.auth.rates import Rates, Shares
from service.clock import Clock
from service.http.aside import Aside
from service.metrics import Metrics
from service.settings import Settings
from service.signing import KeyRing

if TYPE_CHECKING:
    from service.auth.access import Gatekeeper
    from service.auth.store import AccessStore
    from service.db.pool import Pool
    from service.db.replica import Reader
    from service.ledger.fact_store import FactStore
    from service.ledger.store import LogStore
    from service.notices.runs import NoticeRuns
    from service.record.changes.feed import Feeds
    from service.record.reports.store import ReportStore
    from service.record.reports.submit import Submissions
    from service.record.standings.follow import StandingsFollow
    from service.registry.store import RegistryStore
    from service.webhooks.subscriptions import Webhooks


class Services:
    """The parts of the running service."""

    pool: "Pool"
    reader: "Reader"
    gatekeeper: "Gatekeeper"
    access: "AccessStore"
    registry: "RegistryStore"
    reports: "ReportStore"
    follower: "StandingsFollow"
    feeds: "Feeds"
    log: "LogStore"
    facts: "FactStore"
    submissions: "Submissions"
    notice_runs: "NoticeRuns"
    webhooks: "Webhooks"

    def __init__(self, *, settings: Settings, clock: Clock) -> None:
        self.settings = settings
        self.clock = clock
        self.metrics = Metrics()
        self.importing: set[str] = set()
        self.rates = Rates(settings.rate)
        self.open_work = Aside("open")
        """Computing for callers without a key."""
        self.work = Aside("work")
        """Computing for those with one."""
        self.papers = Aside("papers", most=16, most_of_caller=8)
        self.imports = ThreadPoolExecutor(settings.imports_at_once, thread_name_prefix="imports")
        self.batches = Shares(most=16, most_of_caller=4)
        """Batches that are open: each keeps some hundred reports under way in memory."""
        self.spools = Shares(most=4 << 30, most_of_caller=1 << 30)
        """Bytes on disk that wait to be read."""
        self.long_polls = Shares(most=500, most_of_caller=8)
        self.keys = KeyRing(settings.signing_keys)

    def close(self) -> None:
        """End the threads, and what looks for changes."""
        self.feeds.close()
        for aside in (self.open_work, self.work, self.papers):
            aside.close()
        self.imports.shutdown(wait=False, cancel_futures=True)
