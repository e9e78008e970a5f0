"""Which network addresses the service may be made to call by an address that somebody else gave it.

Only addresses that the IANA registries of special-purpose addresses leave to the public internet: RFC 6890 and what has been added
to its registries since. An operator may open the private ones; link-local addresses, among them the metadata services of clouds,
multicast, unspecified and reserved ones stay closed to everybody. An IPv6 address that stands for an IPv4 address is judged as that one.
"""

from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Final

_NEVER_4: Final = {
    "0.0.0.0/8": "this host (RFC 791, 3.2)",
    "169.254.0.0/16": "link-local (RFC 3927)",
    "192.0.0.0/24": "protocol assignments (RFC 6890, 2.1)",
    "192.0.2.0/24": "documentation (RFC 5737)",
    "192.31.196.0/24": "a name service of the infrastructure (RFC 7535)",
    "192.52.193.0/24": "multicast relays (RFC 7450)",
    "192.88.99.0/24": "6to4 relays (RFC 7526)",
    "192.175.48.0/24": "a name service of the infrastructure (RFC 7534)",
    "198.18.0.0/15": "benchmarking (RFC 2544)",
    "198.51.100.0/24": "documentation (RFC 5737)",
    "203.0.113.0/24": "documentation (RFC 5737)",
    "224.0.0.0/4": "multicast (RFC 5771)",
    "240.0.0.0/4": "reserved (RFC 1112, 4)",
    # From memory: in a private range, but where some clouds give a machine its credentials.
    "100.100.100.200/32": "a cloud's metadata service",
}
_PRIVATE_4: Final = {
    "10.0.0.0/8": "private (RFC 1918)",
    "100.64.0.0/10": "shared between a provider and its customers (RFC 6598)",
    "127.0.0.0/8": "loopback (RFC 1122, 3.2.1.3)",
    "172.16.0.0/12": "private (RFC 1918)",
    "192.168.0.0/16": "private (RFC 1918)",
}
_NEVER_6: Final = {
    "2001::/23": "protocol assignments (RFC 2928)",
    "2001:db8::/32": "documentation (RFC 3849)",
    "2620:4f:8000::/48": "a name service of the infrastructure (RFC 7534)",
    "3fff::/20": "documentation (RFC 9637)",
    # From memory, as above.
    "fd00:ec2::254/128": "a cloud's metadata service",
}
_PRIVATE_6: Final = {"::1/128": "loopback (RFC 4291)", "fc00::/7": "unique-local (RFC 4193)"}
_GLOBAL_6: Final = IPv6Network("2000::/3")
# IPv6 addresses that carry an IPv4 address, and where in them it stands (bits from the right).
_CARRIERS: Final = {
    IPv6Network("::ffff:0:0/96"): 0,  # mapped (RFC 4291, 2.5.5.2)
    IPv6Network("64:ff9b::/96"): 0,  # NAT64 (RFC 6052)
    IPv6Network("2002::/16"): 80,  # 6to4 (RFC 3056)
}


def _networks(table: dict[str, str]) -> list[tuple[IPv4Network | IPv6Network, str]]:
    return [(ip_network(network), name) for network, name in table.items()]


_NEVER: Final = {4: _networks(_NEVER_4), 6: _networks(_NEVER_6)}
_PRIVATE: Final = {4: _networks(_PRIVATE_4), 6: _networks(_PRIVATE_6)}


def _name(address: IPv4Address | IPv6Address, table: dict[int, list[tuple[IPv4Network | IPv6Network, str]]]) -> str | None:
    return next((name for network, name in table[address.version] if address in network), None)


def carried(address: IPv4Address | IPv6Address) -> IPv4Address | IPv6Address:
    """The IPv4 address for which an IPv6 address stands, else itself."""
    if isinstance(address, IPv6Address):
        for network, shift in _CARRIERS.items():
            if address in network:
                return IPv4Address((int(address) >> shift) & 0xFFFFFFFF)
    return address


def is_private(text: str) -> bool:
    """Whether that address is one of those that an operator may open."""
    address = carried(ip_address(text))
    return _name(address, _NEVER) is None and _name(address, _PRIVATE) is not None


def refusal(text: str, *, private: bool) -> str | None:
    """Why that address may not be called, or None where it may; ValueError where it is none. `private` opens the private ones."""
    address = carried(ip_address(text))
    if name := _name(address, _NEVER):
        return name
    if name := _name(address, _PRIVATE):
        return None if private else name
    if isinstance(address, IPv6Address) and address not in _GLOBAL_6:
        return "not of the public internet (RFC 4291, 2.4)"
    return None
