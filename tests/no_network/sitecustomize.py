"""No network in any process that finds this folder on PYTHONPATH: what tries raises, and is noted.

Told by Python's audit events, so a connection that a C library made by itself would not be
seen. Sockets of the file system, by which a process talks to its own children, are free. What
``ALLOWED_BIND`` names (an address, for a page that this machine alone may read) may be bound.
"""

import os
import socket
import sys
from typing import Any

_NAMES = {
    "socket.bind",
    "socket.connect",
    "socket.sendto",
    "socket.sendmsg",
    "socket.getaddrinfo",
    "socket.gethostbyname",
    "socket.gethostbyaddr",
    "socket.getnameinfo",
}


def _watch(event: str, args: tuple[Any, ...]) -> None:
    if event not in _NAMES:
        return
    if isinstance(args[0], socket.socket):
        if args[0].family == getattr(socket, "AF_UNIX", None):
            return
        address = args[1]
        allowed = os.environ.get("ALLOWED_BIND")
        if event == "socket.bind" and allowed is not None and address[0] == allowed:
            return
    with open(os.environ["NETWORK_LOG"], "a", encoding="utf-8") as log:
        log.write(f"{event} {args[1:] if isinstance(args[0], socket.socket) else args}\n")
    raise PermissionError(f"no network: {event}")


sys.addaudithook(_watch)
