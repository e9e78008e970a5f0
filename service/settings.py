"""The environment, read once into one frozen struct.

NONRETURN_DSN        the Postgres to work in (15 or later); without it the service starts one of its own
NONRETURN_ADMIN_DSN  the same database as its owner, for `nonreturn migrate`, where the service's own user may not
NONRETURN_READER_DSN a streaming replica of that Postgres, for summaries, lists, past days and exports (default: none; all is read there)
NONRETURN_READER_BEHIND  how many seconds the replica may be behind to be read from (default 5)
NONRETURN_DATA       where the service's own Postgres keeps its data (default .demo/postgres)
NONRETURN_HOST       the address to listen on (default 127.0.0.1)
NONRETURN_PORT       the port to listen on (default 8600; 0 takes any free one)
NONRETURN_SIGNING_KEYS  the file with the keys that sign receipts and tree heads (made by `nonreturn signing-key new FILE`), or the JWK
                     Set itself; without it nothing is signed
NONRETURN_PUBLIC_URL the address under which people reach the service, for the codes on printed reports (default: as it was asked)
NONRETURN_POOL       connections to Postgres (default 8), and half as many again for recording reports
NONRETURN_LOG        what is logged, as lines of JSON on standard error: error, warning (default), info (a line a request), debug
NONRETURN_RATE       requests a second that one key may send to one process (default 2000, twice that at once; 0: no limit)
NONRETURN_OPEN_RATE  how many seconds of computing a second one address without a key may have of one process (default 0.1, and what it
saved
                     up in 10 seconds; 0: no limit)
NONRETURN_CONNECTIONS             connections that one process holds at most (default 1000)
NONRETURN_CONNECTIONS_OF_ADDRESS  how many of them may come from one address (default 200; an IPv6 address counts as its /64)
NONRETURN_NEW_CONNECTIONS_OF_ADDRESS  how many new ones an address may open a second (default 100, twice that at once; 0: no limit)
NONRETURN_TRUSTED_PROXIES  addresses and networks of the proxies in front, with commas between: their `Forwarded` or `X-Forwarded-For` says
who
                     calls (default: none; then all that a proxy passes on counts as one address)
NONRETURN_ORIGINS    origins whose pages may call with an API key, with commas between (default: none; calls without a key are open to all)
NONRETURN_TELEMETRY  1: report requests to OpenTelemetry (needs the extra `telemetry`; its own OTEL_* variables say where to)
NONRETURN_WEBHOOK_KEY_FILE  a file with at least 32 random bytes, from which webhooks' secrets are derived; without it there are none
NONRETURN_WEBHOOK_KEY       the same, given itself
NONRETURN_WEBHOOKS_PRIVATE  1: webhooks may go to private and loopback addresses, there also by plain http
NONRETURN_DELIVER           no: the serving processes send no webhooks; `nonreturn deliver` does
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Final, TypeVar

from msgspec import Struct

from service import secrets
from service.http.callers import Network, parse_networks
from service.http.cross_origin import parse_origins

HOURS: Final = 3600.0
_Number = TypeVar("_Number", int, float)


class WebhookPolicy(Struct, frozen=True, kw_only=True):
    """How messages are sent: times in seconds."""

    # The example schedule of Standard Webhooks 1.0.0 ("Deliverability and reliability"), and three more days, so that a receiver
    # that is down over a long weekend and the day after is not given up. A message is tried once more than there are waits.
    waits: tuple[float, ...] = (
        5,
        300,
        1800,
        2 * HOURS,
        5 * HOURS,
        10 * HOURS,
        14 * HOURS,
        20 * HOURS,
        24 * HOURS,
        24 * HOURS,
        24 * HOURS,
        24 * HOURS,
    )
    jitter: float = 0.1
    """Each wait is longer by up to this share of it."""
    longest_wait: float = 24 * HOURS
    """A receiver's `Retry-After` is honoured up to this."""
    changes_together: int = 100
    """At most so many changes a message, which keeps it under the 20 kB that the specification advises."""
    look_ahead: int = 5_000
    """At most so many numbers of the feed are looked through at once for resources that are rarely subscribed."""
    connect_seconds: float = 5
    # "somewhere between 15 and 30s" ("Request timeouts").
    answer_seconds: float = 20
    lease_seconds: float = 60
    """Longer than an attempt takes; a process that died is stood in for after this."""
    look_seconds: float = 1
    close_seconds: float = 3
    """For so long a message that is being sent may still be answered when the process gets a signal to stop."""
    messages_a_turn: int = 50
    at_once: int = 16
    keep_delivered_days: int = 30
    most_of_a_utility: int = 100
    """So many subscriptions a utility may have."""


class Settings(Struct, frozen=True, kw_only=True):
    """What can be set from outside; sizes are in bytes."""

    dsn: str | None = None
    admin_dsn: str | None = None
    reader_dsn: str | None = None
    reader_behind: float = 5.0
    data: Path = Path(".demo/postgres")
    host: str = "127.0.0.1"
    port: int = 8600
    signing_keys: str | None = None
    public_url: str | None = None
    pool: int = 8
    body_limit: int = 256 * 1024
    import_limit: int = 256 * 1024 * 1024
    imports_at_once: int = 2
    key_cache_seconds: float = 5.0
    body_seconds: float = 30.0
    log: str = "warning"
    rate: float = 2000.0
    open_rate: float = 0.1
    connections: int = 1000
    origins: frozenset[str] = frozenset()
    connections_of_address: int = 200
    new_connections_of_address: float = 100.0
    trusted_proxies: tuple[Network, ...] = ()
    telemetry: bool = False
    webhook_key: secrets.Secret | None = None
    webhooks_private: bool = False
    webhook_policy: WebhookPolicy = WebhookPolicy()
    deliver: bool = True

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> "Settings":
        """Read the variables above; ValueError where a number is not one, a word none of those named, or a key cannot serve."""
        return cls(
            dsn=environment.get("NONRETURN_DSN") or None,
            admin_dsn=environment.get("NONRETURN_ADMIN_DSN") or None,
            reader_dsn=environment.get("NONRETURN_READER_DSN") or None,
            reader_behind=_number(environment, "NONRETURN_READER_BEHIND", 5.0),
            data=Path(environment.get("NONRETURN_DATA") or ".demo/postgres"),
            host=environment.get("NONRETURN_HOST") or "127.0.0.1",
            port=_number(environment, "NONRETURN_PORT", 8600),
            signing_keys=environment.get("NONRETURN_SIGNING_KEYS") or None,
            public_url=environment.get("NONRETURN_PUBLIC_URL") or None,
            pool=_number(environment, "NONRETURN_POOL", 8),
            log=_level(environment.get("NONRETURN_LOG") or "warning"),
            rate=_number(environment, "NONRETURN_RATE", 2000.0),
            open_rate=_number(environment, "NONRETURN_OPEN_RATE", 0.1),
            connections=_number(environment, "NONRETURN_CONNECTIONS", 1000),
            connections_of_address=_number(environment, "NONRETURN_CONNECTIONS_OF_ADDRESS", 200),
            new_connections_of_address=_number(environment, "NONRETURN_NEW_CONNECTIONS_OF_ADDRESS", 100.0),
            trusted_proxies=parse_networks(environment.get("NONRETURN_TRUSTED_PROXIES", "")),
            origins=parse_origins(environment.get("NONRETURN_ORIGINS", "")),
            telemetry=environment.get("NONRETURN_TELEMETRY") == "1",
            webhook_key=secrets.from_environment(environment, "NONRETURN_WEBHOOK_KEY"),
            webhooks_private=_yes(environment, "NONRETURN_WEBHOOKS_PRIVATE", otherwise=False),
            deliver=_yes(environment, "NONRETURN_DELIVER", otherwise=True),
        )


def _number(environment: Mapping[str, str], name: str, otherwise: _Number) -> _Number:
    """A setting that is a number of the same kind as its default."""
    text = environment.get(name) or ""
    try:
        return type(otherwise)(text) if text else otherwise
    except ValueError:
        raise ValueError(f"{name} is a number, such as {otherwise}, not {text!r}") from None


def _level(word: str) -> str:
    if word.lower() not in ("error", "warning", "info", "debug"):
        raise ValueError(f"NONRETURN_LOG is error, warning, info or debug, not {word!r}")
    return word.lower()


def _yes(environment: Mapping[str, str], name: str, *, otherwise: bool) -> bool:
    """A setting that is on or off."""
    words = {"1": True, "yes": True, "true": True, "0": False, "no": False, "false": False, "": otherwise}
    try:
        return words[environment.get(name, "").strip().lower()]
    except KeyError:
        raise ValueError(f"{name} is neither 1 nor 0") from None
