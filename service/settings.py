"""The environment, read once into one frozen struct.

NONRETURN_DSN        the Postgres to work in (15 or later); without it the service starts one of its own
NONRETURN_ADMIN_DSN  the same database as its owner, for `nonreturn migrate`, where the service's own user may not
NONRETURN_DATA       where the service's own Postgres keeps its data (default .demo/postgres)
NONRETURN_HOST       the address to listen on (default 127.0.0.1)
NONRETURN_PORT       the port to listen on (default 8600; 0 takes any free one)
NONRETURN_POOL       connections to Postgres (default 8)
"""

from collections.abc import Mapping
from pathlib import Path

from msgspec import Struct


class Settings(Struct, frozen=True, kw_only=True):
    """What can be set from outside; sizes are in bytes."""

    dsn: str | None = None
    admin_dsn: str | None = None
    data: Path = Path(".demo/postgres")
    host: str = "127.0.0.1"
    port: int = 8600
    pool: int = 8
    body_limit: int = 256 * 1024
    key_cache_seconds: float = 5.0

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> "Settings":
        """Read the variables above; ValueError where a number is not one."""
        return cls(
            dsn=environment.get("NONRETURN_DSN") or None,
            admin_dsn=environment.get("NONRETURN_ADMIN_DSN") or None,
            data=Path(environment.get("NONRETURN_DATA") or ".demo/postgres"),
            host=environment.get("NONRETURN_HOST") or "127.0.0.1",
            port=int(environment.get("NONRETURN_PORT") or 8600),
            pool=int(environment.get("NONRETURN_POOL") or 8),
        )
