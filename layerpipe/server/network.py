"""The one address the server binds to, and how it is written."""

from __future__ import annotations

import ipaddress
import socket

from layerpipe.core.errors import OutputError

Address = ipaddress.IPv4Address | ipaddress.IPv6Address

THIS_MACHINE = "127.0.0.1"
USUAL_PORT = 8737
"""Always the same where it is free, so that a phone's browser remembers choices from one run to the next; not assigned
by IANA (from memory)."""
_ELSEWHERE = ("192.0.2.1", 9)
"""An address for documentation (RFC 5737). Nothing is sent there; the system only says which way it would go."""


def local_address() -> str:
    """The address of this machine in its local network.

    Raises
    ------
    OutputError
        If there is no network, or its address is a public one.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(_ELSEWHERE)
        except OSError as refusal:
            raise OutputError("this machine is in no network; --open shows the page on this machine, --host ADDRESS "
                              "names another address of it") from refusal
        address: str = probe.getsockname()[0]
    if not ipaddress.ip_address(address).is_private:
        raise OutputError(f"{address} is a public address: everybody could reach the page. If that is wanted, name it "
                          f"with --host {address}; --open shows the page on this machine only")
    return address


def checked_address(host: str) -> Address:
    """An address to bind to.

    Raises
    ------
    OutputError
        If it is no address, or stands for all addresses of this machine.
    """
    try:
        address = ipaddress.ip_address(host)
    except ValueError as refusal:
        raise OutputError(f'--host: "{host}" is no address; give one such as {THIS_MACHINE}') from refusal
    if address.is_unspecified or address.is_multicast:
        raise OutputError(f"--host: {host} is not the address of one network; give one address of this machine")
    return address


def listen(host: str, port: int | None = None) -> socket.socket:
    """Bind to one address.

    Parameters
    ----------
    host : str
    port : int, optional
        Default: the usual one, or any free one if that is in use.

    Raises
    ------
    OutputError
        If the address is none of this machine, or the port is in use or not allowed.
    """
    address = checked_address(host)
    family = socket.AF_INET if address.version == 4 else socket.AF_INET6
    last: OSError | None = None
    for wanted in ((USUAL_PORT, 0) if port is None else (port,)):
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((str(address), wanted))
            listener.listen(128)
        except OSError as refusal:
            listener.close()
            last = refusal
        else:
            return listener
    assert last is not None
    raise OutputError(f"cannot serve at {netloc(host, port or USUAL_PORT)}: {last.strerror or last}; choose another "
                      "--host or --port") from last


def netloc(host: str, port: int) -> str:
    """Host and port as they stand in an address and in the Host header (RFC 3986, RFC 9110)."""
    shown = f"[{host}]" if ":" in host else host
    return shown if port == 80 else f"{shown}:{port}"
