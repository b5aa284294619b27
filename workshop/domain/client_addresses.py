"""From which address a request came, when so many proxies stand before us."""

import ipaddress


def client_address(remote: str, forwarded: str, proxies: int) -> str:
    """Return the caller's address as far as it can be believed; IPv6 as its /64 network.

    remote: who connected to us. forwarded: the header X-Forwarded-For as it came. proxies: how
    many proxies of our own stand in between; each appends the address it was called from, so the
    last `proxies` entries are ours and whatever stands before them anybody may have written.
    """
    chain = [one.strip() for one in forwarded.split(",") if one.strip()] if proxies else []
    found = chain[-proxies] if proxies and len(chain) >= proxies else (chain or [remote])[0]
    try:
        address = ipaddress.ip_address(_without_port(found))
    except ValueError:
        return remote
    mapped = getattr(address, "ipv4_mapped", None)
    if mapped is not None:
        return str(mapped)
    if address.version == 6:
        return str(ipaddress.ip_network((int(address), 64), strict=False))  # without its zone
    return str(address)


def _without_port(entry: str) -> str:
    """Return the address of "192.0.2.1:4711" or "[2001:db8::1]:4711", as RFC 7239 writes them."""
    if entry.startswith("["):
        return entry[1:].partition("]")[0]
    host, _, port = entry.rpartition(":")
    return host if port.isdigit() and host.count(".") == 3 and ":" not in host else entry
