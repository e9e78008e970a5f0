"""Who calls: the address that a connection comes from, or the one that a trusted proxy says it comes from.

An IPv6 address stands for its /64, since whoever has one address there has them all (RFC 4291, 2.5.4: an interface's own part is 64 bits).
What a request says of its own address (`Forwarded`, RFC 7239; `X-Forwarded-For`) is believed of trusted proxies only.
"""

import re
import time
import types
from collections.abc import Callable, Coroutine, Generator, Iterable
from contextvars import ContextVar
from functools import lru_cache
from ipaddress import IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Any, Final

Network = IPv4Network | IPv6Network
Headers = Iterable[tuple[bytes, bytes]]

_LONGEST: Final = 64
"""A name that a proxy gives instead of an address (RFC 7239, section 6.3) is kept to so many characters."""
# RFC 7239, section 4: name=value, in which the value may be quoted; pairs are separated by `;`, hops by `,`.
_HOP: Final = re.compile(r'(?:[^",]|"[^"]*")+')
_FOR: Final = re.compile(r'(?:^|;)\s*for\s*=\s*("?)([^";]*)\1\s*(?:;|$)', re.IGNORECASE)
_PROTO: Final = re.compile(r'proto\s*=\s*"?(https?)\b', re.IGNORECASE)
_WITH_PORT: Final = re.compile(r"\[([0-9A-Fa-f:.]+)\](?::\d+)?|(\d+\.\d+\.\d+\.\d+):\d+")


class Caller:
    """The caller of the request that is being answered, and the CPU time that answering it took, in seconds."""

    __slots__ = ("address", "seconds")

    def __init__(self, address: str) -> None:
        self.address = address
        self.seconds = 0.0

    @types.coroutine
    def measure(self, work: Coroutine[Any, Any, None]) -> Generator[Any, Any, None]:
        """Run the work, and add the time that this thread spends on it."""
        step: Callable[[Any], Any] = work.send
        given: Any = None
        while True:
            begun = time.thread_time()
            try:
                waits_for = step(given)
            except StopIteration:
                return
            finally:
                self.seconds += time.thread_time() - begun
            try:
                given = yield waits_for
                step = work.send
            except BaseException as error:  # noqa: BLE001 - cancelled, or closed: the work has to know
                step, given = work.throw, error


NOBODY: Final = Caller("")
caller: ContextVar[Caller] = ContextVar("caller", default=NOBODY)
"""Who sent the request that is being answered."""


class Proxies:
    """The proxies whose word is taken; none by default."""

    def __init__(self, networks: tuple[Network, ...] = ()) -> None:
        self._networks = networks

    @lru_cache(maxsize=1024)  # noqa: B019 - there is one in a process
    def trusts(self, address: str) -> bool:
        """Whether that address is one of them."""
        try:
            parsed = _plain(address)
        except ValueError:
            return False
        return any(parsed in network for network in self._networks)

    def address(self, peer: str, headers: Headers) -> str:
        """The address that counts for a request from that peer."""
        if not self._networks or not self.trusts(peer):
            return grouped(peer)
        forwarded = _hops(headers, b"forwarded", _forwarded)
        x_forwarded_for = _hops(headers, b"x-forwarded-for", str.strip)
        said = {self._outermost(hops) for hops in (forwarded, x_forwarded_for) if hops}
        # A proxy that sets one of the two may pass on the other as it came: where they differ, neither is believed.
        return grouped(said.pop() if len(said) == 1 else peer)

    def scheme(self, peer: str, headers: Headers) -> str | None:
        """`http` or `https` where a trusted proxy says by which it was called."""
        if not self._networks or not self.trusts(peer):
            return None
        said = [value.decode("latin-1").strip() for name, value in headers if name == b"x-forwarded-proto"]
        said += [
            found[1].lower()
            for name, value in headers
            if name == b"forwarded"
            for found in _PROTO.finditer(value.decode("latin-1"))
        ]
        return said[-1] if said and said[-1] in ("http", "https") else None

    def _outermost(self, hops: list[str]) -> str:
        """The hop nearest to us that is no proxy of ours; each proxy adds the one it was called by at the end."""
        return next((hop for hop in reversed(hops) if not self.trusts(hop)), hops[0])


def parse_networks(text: str) -> tuple[Network, ...]:
    """Networks and addresses from a list with commas or spaces between; ValueError where one is neither."""
    return tuple(ip_network(part) for part in text.replace(",", " ").split())


@lru_cache(maxsize=4096)
def grouped(address: str) -> str:
    """What an address is counted under: IPv4 itself, IPv6 its /64."""
    try:
        parsed = _plain(address)
    except ValueError:
        return address[:_LONGEST]
    return str(ip_network((parsed, 64), strict=False)) if isinstance(parsed, IPv6Address) else str(parsed)


def _plain(address: str) -> Any:
    parsed = ip_address(address.partition("%")[0])
    return parsed.ipv4_mapped or parsed if isinstance(parsed, IPv6Address) else parsed


def _hops(headers: Headers, name: bytes, read: Callable[[str], str]) -> list[str]:
    whole = ",".join(value.decode("latin-1") for header, value in headers if header == name)
    return [_without_port(read(hop)) for hop in _HOP.findall(whole)] if whole else []


def _forwarded(hop: str) -> str:
    found = _FOR.search(hop)
    return found[2].strip() if found else "unknown"


def _without_port(hop: str) -> str:
    found = _WITH_PORT.fullmatch(hop)
    return (found[1] or found[2]) if found else hop
