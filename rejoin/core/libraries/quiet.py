"""open3d brought in without the socket that its import would open.

Its pictures for the browser pull in urllib3, which tries at import whether this
machine can bind an IPv6 socket. Nothing is sent, yet a workshop that forbids
sockets would see one, so the question is answered for it.
"""

from __future__ import annotations

import contextlib
import socket
import sys
from threading import Lock
from typing import Any

_one_at_a_time = Lock()


def the_open3d() -> Any:
    """The module open3d."""
    with _one_at_a_time:
        if "open3d" in sys.modules or "urllib3" in sys.modules:
            import open3d

            return open3d
        able = socket.has_ipv6
        socket.has_ipv6 = False
        try:
            import open3d
        finally:
            socket.has_ipv6 = able
        with contextlib.suppress(KeyError, AttributeError):  # who uses urllib3 beside us keeps IPv6
            sys.modules["urllib3.util.connection"].HAS_IPV6 = able  # type: ignore[attr-defined]
        return open3d
