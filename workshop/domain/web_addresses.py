"""Which addresses on the web a server of ours may be sent to. Plain rules, no look-ups.

Networks: the special-purpose address registries (RFC 6890 and its updates), multicast (RFC 5771,
RFC 4291) and every way of writing an IPv4 address inside an IPv6 one (mapped and compatible RFC
4291, NAT64 RFC 6052 and RFC 8215, 6to4 RFC 3056, Teredo RFC 4380). `ipaddress.is_global` alone
lets NAT64, 6to4 and multicast pass.
"""

import re
from dataclasses import dataclass
from ipaddress import (
    IPv4Address,
    IPv4Network,
    IPv6Address,
    IPv6Network,
    ip_address,
    ip_network,
)
from urllib.parse import urlsplit

from workshop.domain.refusals import ValueRefused

LONGEST = 500
LONGEST_HOST = 253  # RFC 1035, 2.3.4

Address = IPv4Address | IPv6Address

NOT_PUBLIC: tuple[tuple[IPv4Network | IPv6Network, str], ...] = tuple(
    (ip_network(network), why)
    for network, why in (
        ("0.0.0.0/8", "this network"),
        ("10.0.0.0/8", "private"),
        ("100.64.0.0/10", "shared by a provider"),
        ("127.0.0.0/8", "this machine"),
        ("169.254.0.0/16", "link-local"),
        ("172.16.0.0/12", "private"),
        ("192.0.0.0/24", "for protocols"),
        ("192.0.2.0/24", "for documentation"),
        ("192.31.196.0/24", "for a protocol"),
        ("192.52.193.0/24", "for a protocol"),
        ("192.88.99.0/24", "6to4 relay"),
        ("192.168.0.0/16", "private"),
        ("192.175.48.0/24", "for a protocol"),
        ("198.18.0.0/15", "for benchmarks"),
        ("198.51.100.0/24", "for documentation"),
        ("203.0.113.0/24", "for documentation"),
        ("224.0.0.0/4", "multicast"),
        ("240.0.0.0/4", "reserved"),
        ("::/96", "an IPv4 address in another form"),
        ("::ffff:0:0/96", "an IPv4 address in another form"),
        ("64:ff9b::/96", "an IPv4 address in another form"),
        ("64:ff9b:1::/48", "an IPv4 address in another form"),
        ("100::/64", "leads nowhere"),
        ("2001::/23", "for protocols"),
        ("2001:db8::/32", "for documentation"),
        ("2002::/16", "an IPv4 address in another form"),
        ("2620:4f:8000::/48", "for a protocol"),
        ("3fff::/20", "for documentation"),
        ("5f00::/16", "for a protocol"),
        ("fc00::/7", "private"),
        ("fe80::/10", "link-local"),
        ("fec0::/10", "private"),
        ("ff00::/8", "multicast"),
    )
)
GLOBAL_UNICAST = IPv6Network("2000::/3")  # RFC 4291, 2.4: all that is given out so far

# One label of a host's name: letters, digits, hyphens within (RFC 1123, 2.1).
LABEL = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?")
# The last label of a name is never a number, written in whatever base (WHATWG URL, 3.5).
NUMBER = re.compile(r"[0-9]+|0x[0-9a-f]*")


@dataclass(frozen=True)
class Target:
    """Where a request goes. path: with its query, at least "/"."""

    scheme: str
    host: str
    port: int
    path: str


def why_not_public(address: str) -> str:
    """Return in a word why no request of ours may go to an IP address; "" when it may."""
    found = ip_address(address.split("%")[0])
    for network, why in NOT_PUBLIC:
        if found.version == network.version and found in network:
            return why
    if isinstance(found, IPv6Address) and found not in GLOBAL_UNICAST:
        return "reserved"
    return ""


def read_target(text: str, *, ports: frozenset[int], loopback: bool = False) -> Target:
    """Return what an address says. Raises ValueRefused naming `url`.

    Only https to a host by its name, at one of these ports, with nobody's name or password in
    it. loopback: tests may send to 127.0.0.1 by http at any port.
    """
    why = _fault_of_text(text)
    if why:
        raise ValueRefused({"url": why})
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError as bad:
        raise ValueRefused({"url": "is no address a server can be reached at"}) from bad
    host = (parts.hostname or "").rstrip(".")
    if loopback and host == "127.0.0.1" and parts.scheme == "http":
        return Target("http", host, port or 80, _path(parts.path, parts.query))
    if parts.scheme != "https":
        raise ValueRefused({"url": "must begin with https://"})
    if "@" in parts.netloc:
        raise ValueRefused({"url": "holds a name or password; leave it out"})
    if parts.fragment:
        raise ValueRefused({"url": "ends in #; leave that part out"})
    why = _fault_of_host(host)
    if why:
        raise ValueRefused({"url": why})
    if (port or 443) not in ports:
        allowed = ", ".join(str(one) for one in sorted(ports))
        raise ValueRefused({"url": f"names port {port}; allowed are {allowed}"})
    return Target("https", host, port or 443, _path(parts.path, parts.query))


def _path(path: str, query: str) -> str:
    return (path or "/") + (f"?{query}" if query else "")


def _fault_of_text(text: str) -> str:
    if len(text) > LONGEST:
        return f"is longer than {LONGEST} characters"
    if not text.isascii():
        return "holds letters that are not ASCII; write the host as xn--… and the rest as %…"
    if any(ord(sign) <= 32 or ord(sign) == 127 for sign in text) or "\\" in text:
        return "holds a space, a control character or a backslash"
    return ""


def _fault_of_host(host: str) -> str:
    labels = host.split(".")
    if len(host) > LONGEST_HOST or not all(LABEL.fullmatch(label) for label in labels):
        return "names no host; give the receiver's name, such as hooks.example.com"
    if NUMBER.fullmatch(labels[-1]):
        return "names an IP address; give the receiver's name"
    if len(labels) < 2:
        return f"names {host}, a host of an inner network; give a full name"
    return ""
