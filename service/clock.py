"""The only place where time is read and ids are minted, so that tests and replays can give their own."""

import datetime as dt
from typing import Protocol
from uuid import UUID

from uuid_utils import compat


class Clock(Protocol):
    """What the service asks of time."""

    def now(self) -> dt.datetime:
        """The time now, in UTC."""
        ...

    def new_id(self) -> UUID:
        """A new UUID of version 7 (RFC 9562)."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> dt.datetime:
        """The time now, in UTC."""
        return dt.datetime.now(dt.UTC)  # noqa: TID251 - this is the one place

    def new_id(self) -> UUID:
        """A new UUID of version 7 (RFC 9562)."""
        return compat.uuid7()
