"""Where a web address may point: never at the machine itself or its link unless that is allowed.

A web address that a person enters makes this server send requests. Without a guard it could be pointed at services
that trust the machine they run on (a database, a metadata service on the link-local address of a cloud machine).
Addresses of private networks are allowed: yards run receivers of their own.
"""

import ipaddress
import socket
from typing import Final
from urllib.parse import urlsplit

from domain.errors import InvalidInput

LOCAL_NAMES: Final = ("localhost", "localhost.localdomain", "ip6-localhost", "ip6-loopback")
OF_THE_HOST: Final = frozenset(
    map(ipaddress.ip_address, ("fd00:ec2::254", "100.100.100.200", "192.0.0.192", "168.63.129.16"))
)
"""Where clouds answer their machines, who they are and with which credentials, beside the link-local address; from memory, no source."""
_Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def is_local(address: str) -> bool:
    """Whether an IP address means this machine, its link, the cloud that it runs in, many machines, or nothing that can be reached.

    IPv4 inside IPv6 (mapped, 6to4, the well-known NAT64 prefix) is judged by the IPv4 address.
    """
    found: _Address = ipaddress.ip_address(address.split("%", 1)[0])
    if isinstance(found, ipaddress.IPv6Address):
        inner = found.ipv4_mapped or found.sixtofour
        if inner is None and found in ipaddress.ip_network("64:ff9b::/96"):
            inner = ipaddress.IPv4Address(int(found) & 0xFFFF_FFFF)
        found = inner or found
    # All of 0.0.0.0/8 means "this host" to some systems.
    this_host = isinstance(found, ipaddress.IPv4Address) and found in ipaddress.ip_network("0.0.0.0/8")
    return (
        found.is_loopback
        or found.is_link_local
        or found.is_unspecified
        or found.is_multicast
        or found.is_reserved
        or this_host
        or found in OF_THE_HOST
    )


def _whole(host: str) -> str:
    """An IPv4 address in its four numbers where it is written shorter (127.1, 0x7f.1, 2130706433), as resolvers read it."""
    try:
        return socket.inet_ntoa(socket.inet_aton(host))
    except OSError:
        return host


def refuse_local(web_address: str) -> None:
    """InvalidInput where the host of an address is this machine by its name or number.

    A name that only resolves to such an address is found when it is connected to, not here.
    """
    try:
        parts = urlsplit(web_address)
        host = (parts.hostname or "").rstrip(".").lower()
        port_is_good = parts.port is None or parts.port > 0
    except ValueError as problem:
        raise InvalidInput(f"no usable web address: {problem}", field="web_address") from problem
    if not host or not port_is_good:
        raise InvalidInput("the web address needs a host", field="web_address")
    try:
        local = is_local(_whole(host))
    except ValueError:
        local = host in LOCAL_NAMES or host.endswith(".localhost")
    if local:
        raise InvalidInput(
            "the web address points at the server itself or its link: name a host elsewhere, or allow it"
            " with the setting webhook_local",
            field="web_address",
        )
