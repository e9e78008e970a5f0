"""Calls out to addresses that somebody else gave us, so that none of them reaches what is not meant for it.

The host's name is resolved once, every address it has is checked, and the connection goes to a checked address: what a name service
says a moment later has no say. TLS still asks for the host by name. Redirects are answers like any other, cookies are not kept, no
proxy of the environment is used, and of the answer's body no more than a bound is read. Plain http reaches private addresses only,
where the operator has opened them.
"""

import asyncio
import socket
import ssl
from collections.abc import Awaitable, Callable, Iterable
from typing import Any
from urllib.parse import urlsplit

import httpcore
import httpx
from msgspec import Struct

from service.problems import Fault, fault
from service.webhooks.addresses import is_private, refusal

Resolver = Callable[[str, int], Awaitable[list[str]]]
BODY_READ = 16 * 1024
"""So much of an answer's body is read, for the connection's sake; it is not kept."""


class RefusedError(httpcore.ConnectError):
    """The host has an address that may not be called."""


class Reply(Struct, frozen=True, kw_only=True):
    """What came of a call: a status and what `Retry-After` says, or why there is none."""

    status: int | None
    because: str | None = None
    retry_after: str | None = None


async def resolve(host: str, port: int) -> list[str]:
    """Every address of a host, by the machine's own resolver; OSError where it has none."""
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(item[4][0]) for item in found))


class CheckedNetwork(httpcore.AsyncNetworkBackend):
    """Connections to checked addresses alone."""

    def __init__(self, resolver: Resolver, *, private: bool, public: bool) -> None:
        self._resolver = resolver
        self._private = private
        self._public = public
        self._network = httpcore.AnyIOBackend()

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,  # noqa: ASYNC109 - httpcore calls it so
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        """A connection to the first address that takes one; RefusedError where any of them may not be called."""
        try:
            addresses = await self._resolver(host, port)
        except (OSError, UnicodeError) as error:
            raise httpcore.ConnectError("The host's name leads to no address.") from error
        for address in addresses:
            self._check(address)
        failed: Exception = httpcore.ConnectError("The host's name leads to no address.")
        for address in addresses:
            try:
                return await self._network.connect_tcp(
                    address, port, timeout=timeout, local_address=local_address, socket_options=socket_options
                )
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as error:
                failed = error
        raise failed

    def _check(self, address: str) -> None:
        # An address with a zone ("fe80::1%eth0") is link-local, and is refused without it.
        bare = address.partition("%")[0]
        if because := refusal(bare, private=self._private):
            raise RefusedError(f"The host leads to an address that may not be called: {because}.")
        if not self._public and not is_private(bare):
            raise RefusedError("Plain http is not sent over the public internet; use https.")

    async def connect_unix_socket(
        self,
        path: str,
        timeout: float | None = None,  # noqa: ASYNC109 - httpcore calls it so
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        """Never."""
        del path, timeout, socket_options
        raise RefusedError("Sockets of this machine are not called.")

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(seconds)


class _Transport(httpx.AsyncHTTPTransport):
    """httpx's transport over our own network."""

    def __init__(self, network: CheckedNetwork, context: ssl.SSLContext, *, connections: int) -> None:
        super().__init__(verify=context, trust_env=False)
        self._pool = httpcore.AsyncConnectionPool(
            ssl_context=context, network_backend=network, max_connections=connections, keepalive_expiry=10
        )


def fault_of(url: str, *, private: bool) -> Fault | None:
    """What is wrong with an address that somebody asks us to call, as far as it shows before the call."""
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
        httpx.URL(url)
    except (ValueError, httpx.InvalidURL):
        return fault("webhook_url_unreadable", pointer="/url")
    if parts.scheme != "https" and not (private and parts.scheme == "http"):
        return fault("webhook_url_not_https", pointer="/url")
    if not host or port == 0:
        return fault("webhook_url_without_host", pointer="/url")
    if parts.username is not None or parts.password is not None:
        return fault("webhook_url_with_password", pointer="/url")
    if parts.fragment or "#" in url:
        return fault("webhook_url_with_fragment", pointer="/url")
    try:
        because = refusal(host, private=private)
    except ValueError:
        loopback = host == "localhost" or host.endswith(".localhost")
        because = "loopback (RFC 6761, 6.3)" if loopback and not private else None
    return fault("webhook_url_not_public", pointer="/url", reason=because) if because else None


class Sender:
    """Posts to addresses that somebody else gave us."""

    def __init__(
        self,
        *,
        private: bool,
        connections: int,
        connect_seconds: float,
        answer_seconds: float,
        resolver: Resolver = resolve,
        context: ssl.SSLContext | None = None,
    ) -> None:
        self._private = private
        self._answer_seconds = answer_seconds
        self._timeouts = {"connect": connect_seconds, "read": answer_seconds, "write": answer_seconds, "pool": answer_seconds}
        context = context or httpx.create_ssl_context()
        self._transports = {
            "https": _Transport(CheckedNetwork(resolver, private=private, public=True), context, connections=connections),
            "http": _Transport(CheckedNetwork(resolver, private=private, public=False), context, connections=connections),
        }

    async def post(self, url: str, headers: dict[str, str], body: bytes) -> Reply:
        """Post once; never an error of the network's."""
        if wrong := fault_of(url, private=self._private):
            return Reply(status=None, because=wrong.detail)
        request = httpx.Request(
            "POST",
            url,
            content=body,
            extensions={"timeout": self._timeouts},
            headers={"content-type": "application/json", "user-agent": "nonreturn", "accept-encoding": "identity", **headers},
        )
        try:
            async with asyncio.timeout(self._answer_seconds):
                response = await self._transports[request.url.scheme].handle_async_request(request)
        except (TimeoutError, httpx.TimeoutException):
            return Reply(status=None, because=f"No answer within {self._answer_seconds:g} s.")
        except (httpx.HTTPError, httpx.InvalidURL, ssl.SSLError, UnicodeError, ValueError) as error:
            return Reply(status=None, because=str(error)[:300] or f"The call failed: {type(error).__name__}.")
        await self._drained(response)
        return Reply(
            status=response.status_code,
            because=None if response.is_success else f"The receiver answered {response.status_code}.",
            retry_after=response.headers.get("retry-after"),
        )

    async def _drained(self, response: httpx.Response) -> None:
        """Read the rest, within bounds, so that the connection can be used again; the status alone has said what matters."""
        read = 0
        try:
            async with asyncio.timeout(1):
                async for chunk in response.aiter_raw():
                    read += len(chunk)
                    if read > BODY_READ:
                        break
        except (TimeoutError, httpx.HTTPError):
            pass
        finally:
            await response.aclose()

    async def close(self) -> None:
        """Close every connection."""
        for transport in self._transports.values():
            await transport.aclose()
