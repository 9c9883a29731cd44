"""Where the page is to be found: addresses of this computer, and the sockets that listen at them."""

from __future__ import annotations

import errno
import ipaddress
import socket
import sys

from camlog.errors import InputError

DEFAULT_PORT = 8462
_NEXT_PORTS = 20  # tried after the default one
_BACKLOG = 128
_SIOCGIFADDR = 0x8915  # Linux, netdevice(7): the IPv4 address of an interface
_TAKEN = (errno.EADDRINUSE, getattr(errno, "WSAEADDRINUSE", errno.EADDRINUSE))


def reached_at(host: str) -> str:
    """An address to listen at, from what was given as --host. Raises InputError where it is none."""
    if host.strip().lower() == "localhost":
        return "127.0.0.1"
    try:
        address = ipaddress.ip_address(host.strip().strip("[]"))
    except ValueError:
        address = None
    if address is None or getattr(address, "scope_id", None):
        raise InputError(
            f"--host {host!r} is no address",
            remedy=f"Give one of this computer's: {_offer()}, or 0.0.0.0 for all.",
        )
    if address.is_multicast or str(address) == "255.255.255.255":
        raise InputError(
            f"--host {host} is the address of no computer", remedy=f"Give {_offer()}, or 0.0.0.0 for all."
        )
    return str(address)


def listen(host: str, port: int | None) -> tuple[list[socket.socket], int]:
    """Listening sockets for an address, and for loopback beside it, at one port; and that port.

    `port` None: the default one or, where that is taken, one of the next. Raises InputError where a given
    port is taken or not allowed, or the address is not this computer's.
    """
    if port is not None and not 0 <= port <= 65535:
        raise InputError(
            f"--port {port} is no network port", remedy="Give a number from 1024 to 65535, or none."
        )
    wanted = range(DEFAULT_PORT, DEFAULT_PORT + _NEXT_PORTS) if port is None else (port,)
    for number in wanted:
        try:
            return _listen(host, number)
        except OSError as error:
            if error.errno in _TAKEN:
                continue
            if error.errno in (errno.EACCES, errno.EPERM):
                raise InputError(
                    f"port {number} may not be used",
                    remedy="Choose a number above 1023, or leave --port out.",
                ) from None
            if error.errno in (errno.EADDRNOTAVAIL, errno.EAFNOSUPPORT):
                raise InputError(
                    f"this computer has no address {host}", remedy=f"Give {_offer()}, or 0.0.0.0 for all."
                ) from None
            raise InputError(
                f"cannot listen at {host}: {error.strerror}", remedy="Choose another address."
            ) from None
    taken = f"port {port} is taken" if port is not None else f"ports {wanted[0]} to {wanted[-1]} are taken"
    remedy = (
        "Choose another, or leave --port out for the next free one."
        if port is not None
        else "Choose one with --port."
    )
    raise InputError(taken, remedy=remedy)


def web_address(host: str, port: int) -> str:
    """The address to type into a browser."""
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{port}/" if port != 80 else f"http://{shown}/"


def own_addresses() -> list[str]:
    """IPv4 addresses by which others can reach this computer, the likeliest first. Nothing is sent."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(
                ("192.0.2.1", 9)
            )  # RFC 5737, for documentation: which of our addresses faces outwards
            found.append(asking.getsockname()[0])
        except OSError:
            pass  # no network, or one without a way out
        if sys.platform.startswith("linux"):
            found += _of_interfaces(asking)
    try:
        found += socket.gethostbyname_ex(socket.gethostname())[2]
    except OSError:
        pass
    usable = [
        a
        for a in found
        if not ipaddress.ip_address(a).is_loopback and not ipaddress.ip_address(a).is_unspecified
    ]
    return list(dict.fromkeys(usable))


def _of_interfaces(asking: socket.socket) -> list[str]:
    import fcntl
    import struct

    found = []
    for _, name in socket.if_nameindex():
        try:
            answer = fcntl.ioctl(asking.fileno(), _SIOCGIFADDR, struct.pack("256s", name.encode()[:15]))
        except OSError:
            continue  # it has none
        found.append(socket.inet_ntoa(answer[20:24]))
    return found


def _listen(host: str, port: int) -> tuple[list[socket.socket], int]:
    address = ipaddress.ip_address(host)
    made: list[socket.socket] = []
    try:
        made.append(_socket(address, port))
        port = made[0].getsockname()[1]
        if not address.is_loopback and not address.is_unspecified:
            made.append(_socket(ipaddress.ip_address("127.0.0.1"), port))
    except OSError:
        for one in made:
            one.close()
        raise
    return made, port


def _socket(address: ipaddress.IPv4Address | ipaddress.IPv6Address, port: int) -> socket.socket:
    both = address.version == 6 and address.is_unspecified and socket.has_dualstack_ipv6()
    family = socket.AF_INET6 if address.version == 6 else socket.AF_INET
    if family == socket.AF_INET6 and not socket.has_ipv6:
        raise OSError(errno.EAFNOSUPPORT, "no IPv6")
    return socket.create_server((str(address), port), family=family, backlog=_BACKLOG, dualstack_ipv6=both)


def _offer() -> str:
    found = own_addresses()
    return " or ".join(found[:3]) if found else "one that this computer has on a network"
