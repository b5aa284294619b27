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
        address = ipaddress.ip_address(found)
    except ValueError:
        return remote
    mapped = getattr(address, "ipv4_mapped", None)
    if mapped is not None:
        return str(mapped)
    if address.version == 6:
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)
