"""Notifications to systemd: ready, reloading, stopping, watchdog. See sd_notify(3).

The protocol is one datagram of ``KEY=value`` lines to the socket named in ``NOTIFY_SOCKET``.
Without a service manager every call does nothing.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Callable, Mapping

from collector.clock import Clock

_log = logging.getLogger(__name__)


class ServiceManager:
    """The service manager that started this process, if one did.

    ``address`` is the notify socket (a path, or ``@name`` in the abstract namespace), empty for
    none. ``watchdog`` is how long (ms) the manager waits for a sign of life, or ``None``.
    """

    def __init__(self, *, address: str = "", watchdog: int | None = None) -> None:
        if address and address[0] not in "/@":
            # Such as vsock:…, which only concerns whole machines.
            _log.warning("the notify socket is of a kind not spoken here",
                         extra={"address": address})
            address = ""
        self.address = address
        self.watchdog = watchdog
        self._complained = False

    def __repr__(self) -> str:
        if not self.address:
            return "ServiceManager(none)"
        alive = f", watchdog {self.watchdog} ms" if self.watchdog else ""
        return f"ServiceManager({self.address}{alive})"

    @classmethod
    def from_environment(cls, environ: Mapping[str, str] | None = None) -> ServiceManager:
        """Read ``NOTIFY_SOCKET``, ``WATCHDOG_USEC`` and ``WATCHDOG_PID``."""
        env = os.environ if environ is None else environ
        usec, pid = env.get("WATCHDOG_USEC", ""), env.get("WATCHDOG_PID", "")
        mine = not pid or pid == str(os.getpid())
        # Below 2 ms half of it would be no time at all.
        wanted = int(usec) // 1000 if usec.isdigit() and mine else 0
        return cls(address=env.get("NOTIFY_SOCKET", ""), watchdog=wanted if wanted >= 2 else None)

    @property
    def present(self) -> bool:
        """Whether a service manager started this process."""
        return bool(self.address)

    def ready(self, status: str = "") -> None:
        """Report that the start, or a reload, is complete."""
        self._send("READY=1", *_status(status))

    def reloading(self, monotonic: int) -> None:
        """Report that the site file is being read again; :meth:`ready` must follow.

        ``monotonic`` is the machine's monotonic clock in ms, by which the manager orders reloads.
        """
        self._send("RELOADING=1", f"MONOTONIC_USEC={monotonic * 1000}")

    def stopping(self, status: str = "") -> None:
        """Report that the stop has begun."""
        self._send("STOPPING=1", *_status(status))

    def status(self, text: str) -> None:
        """Report the state in one line, shown beside the service's name."""
        self._send(*_status(text))

    def alive(self) -> None:
        """Send the watchdog's keep-alive."""
        self._send("WATCHDOG=1")

    async def keep_alive(self, clock: Clock, healthy: Callable[[], bool]) -> None:
        """Send a keep-alive every half of the watchdog's time while ``healthy`` returns true.

        Runs until cancelled; returns at once where no watchdog is set. ``clock`` must be the
        machine's own, since the manager's is. Without keep-alives the manager restarts a process
        that runs but does not work.
        """
        if self.watchdog is None or not self.present:
            return
        well = True
        while True:
            if healthy():
                self.alive()
                well = True
            elif well:
                _log.error("not healthy: the watchdog gets no sign of life")
                well = False
            await clock.sleep(self.watchdog // 2)

    def _send(self, *lines: str) -> None:
        if not self.address or not lines:
            return
        target = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
                # Never wait: a manager that does not read must not stop the daemon.
                sock.setblocking(False)
                sock.sendto("\n".join(lines).encode(), target)
        except OSError as exc:
            if not self._complained:
                _log.warning("the service manager could not be notified",
                             extra={"reason": str(exc)})
            self._complained = True
        else:
            self._complained = False


def _status(text: str) -> tuple[str, ...]:
    return (f"STATUS={' '.join(text.split())}",) if text else ()
