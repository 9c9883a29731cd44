"""Addresses of the page on this computer, and the sockets that listen at them."""

from __future__ import annotations

import errno
import ipaddress
import socket
import struct
import sys

from camlog.serve.words import problem, sentence

DEFAULT_PORT = 8462
_NEXT_PORTS = 20  # tried after the default one
_BACKLOG = 128
_SIOCGIFADDR = 0x8915  # Linux, netdevice(7): the IPv4 address of an interface
_TAKEN = (errno.EADDRINUSE, getattr(errno, "WSAEADDRINUSE", errno.EADDRINUSE))
_REFUSALS = dict.fromkeys((errno.EACCES, errno.EPERM), "port_not_allowed")
_REFUSALS |= dict.fromkeys((errno.EADDRNOTAVAIL, errno.EAFNOSUPPORT), "not_own_address")


def reached_at(host: str) -> str:
    """The address to listen at, from --host. Raises InputError if it is none."""
    if host.strip().lower() == "localhost":
        return "127.0.0.1"
    try:
        address = ipaddress.ip_address(host.strip().strip("[]"))
    except ValueError:
        address = None
    if address is None or getattr(address, "scope_id", None):
        raise problem("no_address", host=host, offer=_offer())
    if address.is_multicast or str(address) == "255.255.255.255":
        raise problem("nobodys_address", host=host, offer=_offer())
    return str(address)


def listen(host: str, port: int | None) -> tuple[list[socket.socket], int]:
    """Listening sockets for an address and for loopback at the same port, and that port.

    `port` None: the default one or, if that is in use, one of the next. Raises InputError if a given port is in use or
    not allowed, or the address is not of this computer.
    """
    if port is not None and not 0 <= port <= 65535:
        raise problem("no_network_port", port=port)
    ports = range(DEFAULT_PORT, DEFAULT_PORT + _NEXT_PORTS) if port is None else (port,)
    for number in ports:
        try:
            return _listen(host, number)
        except OSError as error:
            if error.errno not in _TAKEN:
                name = _REFUSALS.get(error.errno or 0, "cannot_listen")
                raise problem(name, host=host, port=number, offer=_offer(), why=error.strerror) from None
    if port is not None:
        raise problem("port_taken", port=port)
    raise problem("ports_taken", first=ports[0], last=ports[-1])


def web_address(host: str, port: int) -> str:
    """The address to type into a browser."""
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{port}/" if port != 80 else f"http://{shown}/"


def own_addresses() -> list[str]:
    """IPv4 addresses at which others can reach this computer, the likeliest first. Nothing is sent."""
    addresses = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            # An address for documentation (RFC 5737), to find which address of this computer is used for outside.
            asking.connect(("192.0.2.1", 9))
            addresses.append(asking.getsockname()[0])
        except OSError:
            pass  # no network, or one without a way out
        addresses += _of_interfaces(asking)
    try:
        addresses += socket.gethostbyname_ex(socket.gethostname())[2]
    except OSError:
        pass
    usable = [a for a in addresses if not (ip := ipaddress.ip_address(a)).is_loopback and not ip.is_unspecified]
    return list(dict.fromkeys(usable))


def _of_interfaces(asking: socket.socket) -> list[str]:
    """Addresses of the network interfaces, if the system can list them (Linux)."""
    if sys.platform != "linux":
        return []
    import fcntl

    addresses = []
    for _, name in socket.if_nameindex():
        try:
            answer = fcntl.ioctl(asking.fileno(), _SIOCGIFADDR, struct.pack("256s", name.encode()[:15]))
        except OSError:
            continue  # it has none
        addresses.append(socket.inet_ntoa(answer[20:24]))
    return addresses


def _listen(host: str, port: int) -> tuple[list[socket.socket], int]:
    address = ipaddress.ip_address(host)
    sockets: list[socket.socket] = []
    try:
        sockets.append(_socket(address, port))
        port = sockets[0].getsockname()[1]
        if not address.is_loopback and not address.is_unspecified:
            sockets.append(_socket(ipaddress.ip_address("127.0.0.1"), port))
    except OSError:
        for one in sockets:
            one.close()
        raise
    return sockets, port


def _socket(address: ipaddress.IPv4Address | ipaddress.IPv6Address, port: int) -> socket.socket:
    six = address.version == 6
    if six and not socket.has_ipv6:
        raise OSError(errno.EAFNOSUPPORT, "no IPv6")
    both = six and address.is_unspecified and socket.has_dualstack_ipv6()
    family = socket.AF_INET6 if six else socket.AF_INET
    return socket.create_server((str(address), port), family=family, backlog=_BACKLOG, dualstack_ipv6=both)


def _offer() -> str:
    return sentence("or").join(own_addresses()[:3]) or sentence("any_address")
