"""Calls out reach no address that they must not: each family of addresses, names that lie, and names that change their answer.

Which address is public is held against Python's own `ipaddress`, which follows the IANA registries of special-purpose addresses
(RFC 6890) independently of ours. TLS is tried against a server with a certificate of the test's own.
"""

import asyncio
import datetime as dt
import socket
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from ipaddress import IPv4Address, IPv6Address, ip_address
from pathlib import Path
from typing import NoReturn

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.webhooks.addresses import carried, refusal
from service.webhooks.outbound import BODY_READ, Resolver, Sender, fault_of

PRIVATE = [
    "127.0.0.1",
    "127.255.0.1",
    "10.0.0.1",
    "172.16.0.1",
    "172.31.255.255",
    "192.168.1.1",
    "100.64.0.1",
    "::1",
    "fc00::1",
    "fdff::1",
    "::ffff:127.0.0.1",
    "::ffff:192.168.0.1",
    "64:ff9b::10.0.0.1",
    "2002:7f00:1::",
    "2002:c0a8:101::",
]
NEVER = [
    "0.0.0.0",  # noqa: S104
    "0.1.2.3",
    "169.254.169.254",
    "169.254.0.1",
    "192.0.0.8",
    "192.0.2.1",
    "198.18.0.1",
    "198.51.100.7",
    "203.0.113.7",
    "224.0.0.1",
    "239.255.255.255",
    "240.0.0.1",
    "255.255.255.255",
    "100.100.100.200",
    "::",
    "fe80::1",
    "fec0::1",
    "ff02::1",
    "2001:db8::1",
    "2001::1",
    "3fff::1",
    "64:ff9b:1::1",
    "100::1",
    "fd00:ec2::254",
    "::7f00:1",
    "::ffff:169.254.169.254",
    "64:ff9b::169.254.169.254",
    "2002:a9fe:a9fe::",
    "::ffff:0.0.0.0",
    "5f00::1",
    "4000::1",
]
# Public name servers' kind of addresses: any that are not special.
PUBLIC = [
    "8.0.0.1",
    "93.184.216.34",
    "172.32.0.1",
    "100.128.0.1",
    "2606:2800:220::1",
    "2a00::1",
    "::ffff:8.0.0.1",
    "64:ff9b::8.0.0.1",
]


@pytest.mark.parametrize("address", PRIVATE)
def test_private_addresses_are_open_only_where_the_operator_opens_them(address: str) -> None:
    assert refusal(address, private=False)
    assert refusal(address, private=True) is None


@pytest.mark.parametrize("address", NEVER)
def test_some_addresses_are_never_called(address: str) -> None:
    assert refusal(address, private=False)
    assert refusal(address, private=True)


@pytest.mark.parametrize("address", PUBLIC)
def test_public_addresses_are_called(address: str) -> None:
    assert refusal(address, private=False) is None


@pytest.mark.slow
@settings(max_examples=2000, deadline=None)
@example(ip_address("192.168.0.1"))
@given(st.one_of(st.ip_addresses(v=4), st.ip_addresses(v=6), st.integers(0, 2**29 - 1).map(lambda n: IPv6Address(n << 99))))
def test_what_python_knows_as_special_is_never_taken_for_public(address: IPv4Address | IPv6Address) -> None:
    if refusal(str(address), private=False) is None:
        meant = carried(address)
        assert meant.is_global
        special = (meant.is_multicast, meant.is_reserved, meant.is_loopback, meant.is_link_local, meant.is_unspecified)
        assert not any(special)


@asynccontextmanager
async def listening(answer: bytes, *, context: ssl.SSLContext | None = None) -> AsyncIterator[tuple[int, list[bytes]]]:
    """A server on loopback that gives that answer to everything: its port, and what it was sent."""
    sent: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readuntil(b"\r\n\r\n")
        length = int(head.lower().partition(b"content-length: ")[2].split(b"\r\n")[0])
        sent.append(head + await reader.readexactly(length))
        writer.write(answer)
        with suppress(ConnectionError):
            await writer.drain()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0, ssl=context)
    try:
        yield server.sockets[0].getsockname()[1], sent
    finally:
        server.close()


@asynccontextmanager
async def sending(resolver: Resolver, *, private: bool, context: ssl.SSLContext | None = None) -> AsyncIterator[Sender]:
    sender = Sender(private=private, connections=4, connect_seconds=2, answer_seconds=2, resolver=resolver, context=context)
    try:
        yield sender
    finally:
        await sender.close()


def naming(*answers: list[str]) -> tuple[Resolver, list[str]]:
    """A name service that gives these answers one after the other, the last for ever; and what it was asked."""
    asked: list[str] = []

    async def resolver(host: str, _port: int) -> list[str]:
        asked.append(host)
        return answers[min(len(asked), len(answers)) - 1]

    return resolver, asked


OK = b"HTTP/1.1 204 No Content\r\n\r\n"


@pytest.mark.parametrize("address", [*PRIVATE, *NEVER, "fe80::1%lo"])
async def test_a_name_that_leads_to_a_closed_address_is_not_called(address: str) -> None:
    resolver, _ = naming([address])
    async with sending(resolver, private=False) as sender:
        reply = await sender.post("https://portal.example/", {}, b"{}")
    assert reply.status is None
    assert "may not be called" in str(reply.because)


async def test_one_closed_address_among_public_ones_is_enough_to_refuse() -> None:
    async with listening(OK) as (port, sent):
        resolver, _ = naming(["93.184.216.34", "127.0.0.1"])
        async with sending(resolver, private=False) as sender:
            reply = await sender.post(f"https://portal.example:{port}/", {}, b"{}")
    assert "may not be called" in str(reply.because)
    assert sent == []


async def test_a_name_is_asked_once_and_the_checked_address_is_the_one_called(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rebinding: the name leads to a good address when it is checked, and would lead to a closed one a moment later."""
    resolver, asked = naming(["127.0.0.2"], ["169.254.169.254"])

    def never(*_arguments: object, **_more: object) -> NoReturn:
        raise AssertionError("The machine's own name service was asked for a name.")

    real = socket.getaddrinfo

    def literal(host: object, *arguments: object, **more: object) -> object:
        return real(host, *arguments, **more) if str(host)[:1].isdigit() else never()  # type: ignore[arg-type]

    monkeypatch.setattr(socket, "getaddrinfo", literal)
    called: list[str] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"{}")
        called.append(writer.get_extra_info("sockname")[0])
        writer.write(OK)
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.2", 0)
    port = server.sockets[0].getsockname()[1]
    async with sending(resolver, private=True) as sender:
        first = await sender.post(f"http://portal.example:{port}/", {}, b"{}")
        second = await sender.post(f"http://portal.example:{port}/", {}, b"{}")
    server.close()
    assert (first.status, called, asked) == (204, ["127.0.0.2"], ["portal.example"] * 2)
    # Asked again for a new connection, and refused by what is said then.
    assert "link-local" in str(second.because)


async def test_plain_http_is_not_sent_over_the_public_internet_even_where_private_addresses_are_open() -> None:
    resolver, _ = naming(["93.184.216.34"])
    async with sending(resolver, private=True) as sender:
        reply = await sender.post("http://portal.example/", {}, b"{}")
    assert reply.because == "Plain http is not sent over the public internet; use https."


@pytest.mark.parametrize(
    "host", ["127.1", "2130706433", "0x7f000001", "0177.0.0.1", "127.0.0.1", "[::ffff:127.0.0.1]", "localhost", "[::1]"]
)
async def test_loopback_written_in_any_way_is_refused_by_what_it_leads_to(host: str) -> None:
    sender = Sender(private=False, connections=1, connect_seconds=2, answer_seconds=2)
    reply = await sender.post(f"https://{host}/", {}, b"{}")
    await sender.close()
    assert reply.status is None
    assert "loopback" in str(reply.because) or reply.because == "This is not a URL. Send one such as `https://host.example/path`."


async def test_a_name_without_an_address_and_a_failing_name_service_are_reported() -> None:
    async def fails(_host: str, _port: int) -> list[str]:
        raise socket.gaierror(-2, "Name or service not known")

    for resolver in (naming([])[0], fails):
        async with sending(resolver, private=False) as sender:
            reply = await sender.post("https://portal.example/", {}, b"{}")
        assert reply.because == "The host's name leads to no address."


async def test_an_endless_answer_is_read_to_a_bound_and_a_redirect_is_not_followed() -> None:
    resolver, _ = naming(["127.0.0.1"])
    endless = b"HTTP/1.1 200 OK\r\n\r\n" + b"x" * (200 * BODY_READ)
    async with sending(resolver, private=True) as sender:
        async with listening(endless) as (port, _):
            assert (await sender.post(f"http://portal.example:{port}/", {}, b"{}")).status == 200
        moved = b"HTTP/1.1 302 Found\r\nlocation: http://169.254.169.254/\r\ncontent-length: 0\r\nset-cookie: a=b\r\n\r\n"
        async with listening(moved) as (port, sent):
            assert (await sender.post(f"http://portal.example:{port}/", {}, b"{}")).because == "The receiver answered 302."
            await sender.post(f"http://portal.example:{port}/", {}, b"{}")
            assert b"cookie" not in sent[1].lower()


@pytest.mark.parametrize("answer", [b"", b"HTTP/1.1 200 OK\r\nx: " + b"y" * 200_000, b"\x16\x03\x01 not http\r\n\r\n"])
async def test_what_is_no_answer_is_a_failure_and_no_error_of_ours(answer: bytes) -> None:
    resolver, _ = naming(["127.0.0.1"])
    async with sending(resolver, private=True) as sender, listening(answer) as (port, _):
        reply = await sender.post(f"http://portal.example:{port}/", {}, b"{}")
    assert reply.status is None
    assert reply.because


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for portal.example that signs itself, and its key."""
    folder = tmp_path_factory.mktemp("tls")
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "portal.example")])
    day = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(day)
        .not_valid_after(day.replace(year=2126))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("portal.example")]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    (folder / "certificate.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    (folder / "key.pem").write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return folder / "certificate.pem", folder / "key.pem"


async def test_tls_asks_for_the_host_by_name_though_the_address_was_checked(certificate: tuple[Path, Path]) -> None:
    theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    theirs.load_cert_chain(*certificate)
    names: list[str | None] = []
    theirs.sni_callback = lambda _socket, name, _context: names.append(name)
    ours = ssl.create_default_context(cafile=certificate[0])
    resolver, _ = naming(["127.0.0.1"])
    async with listening(OK, context=theirs) as (port, sent):
        async with sending(resolver, private=True, context=ours) as sender:
            assert (await sender.post(f"https://portal.example:{port}/x?y=z", {}, b"{}")).status == 204
            wrong = await sender.post(f"https://other.example:{port}/", {}, b"{}")
        async with sending(resolver, private=True) as sender:
            unknown = await sender.post(f"https://portal.example:{port}/", {}, b"{}")
    assert names[0] == "portal.example"
    assert sent[0].startswith(b"POST /x?y=z HTTP/1.1\r\nHost: portal.example:")
    assert len(sent) == 1
    assert "Hostname mismatch" in str(wrong.because)
    assert "certificate verify failed" in str(unknown.because)


@pytest.mark.parametrize(
    "url", ["https://portal.example/", "https://portal.example:8443/a?b=c", "https://xn--bcher-kva.example/", "https://8.0.0.1/"]
)
def test_good_addresses_have_no_fault(url: str) -> None:
    assert fault_of(url, private=False) is None
