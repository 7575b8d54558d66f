"""The write endpoints of InfluxDB: v2 and v3 through the client library, v1 by its own form.

One call is one request. Retries and splitting are decided by the caller; a server's answer other
than success becomes a ``DeliveryError``. The libraries are loaded on first use, so that a daemon
without an InfluxDB stays light.
"""

from __future__ import annotations

import asyncio
import base64
import gzip
import json
import logging
import os
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

from collector.clock import Clock, format_instant
from collector.domain.errors import (
    DeliveryError,
    DeliveryRefused,
    DeliveryUnreachable,
    LinesRefused,
)
from collector.domain.events import SystemEvent
from collector.domain.live import ForwardStatistics
from collector.domain.units import MINUTE
from collector.forward import InfluxSettings, RetryPolicy
from collector.forward.influx import DeadLetter
from collector.logs import in_thread

_CONNECT, _QUIET = 5.0, 20.0
"""Seconds for a connection to open, and for a socket without data."""

_LATER = frozenset({408, 425, 429, 502, 503, 504})
_OF_THE_LINES = frozenset({400, 413, 422})


class Busy(DeliveryUnreachable):
    """The server asks for a pause of ``after`` ms."""

    def __init__(self, message: str, *, after: int) -> None:
        self.after = after
        super().__init__(message)


class ServerFault(DeliveryUnreachable):
    """The server failed on the request, by its own fault or because of a line."""


class Endpoint(Protocol):
    """One server. Calls block and are made in a thread."""

    def write(self, body: bytes) -> None:
        """Return once the server has accepted every line of ``body``.

        Raises ``DeliveryUnreachable`` (:class:`Busy`), ``DeliveryRefused`` or ``LinesRefused``.
        """

    def close(self) -> None:
        """Close the connections. May be called twice."""


def endpoint_of(settings: InfluxSettings) -> Endpoint:
    return V1Endpoint(settings) if settings.api == "v1" else V2Endpoint(settings)


def error_of(status: int, headers: Mapping[str, str], text: str) -> DeliveryError:
    """Return the error for an HTTP answer other than success."""
    said = _said(text)
    words = f"HTTP {status}" + (f": {said}" if said else "")
    if status in _OF_THE_LINES:
        lower = said.lower()
        return LinesRefused(words, rest_taken="partial write" in lower,
                            too_old="retention policy" in lower)
    if status in _LATER or status >= 500:
        after = headers.get("Retry-After", "")
        if after.isdigit():
            return Busy(words, after=min(int(after), 3600) * 1000)
        return DeliveryUnreachable(words) if status in _LATER else ServerFault(words)
    if status in (401, 403):
        return DeliveryRefused(f"{words}; is the token, or the user, still good?")
    if status == 404:
        return DeliveryRefused(f"{words}; is there such a database or bucket?")
    return DeliveryRefused(words)


def _said(text: str) -> str:
    """Return the message of an answer, called ``error`` by v1 and ``message`` by the others."""
    try:
        parsed: Any = json.loads(text)
    except ValueError:
        parsed = text
    if isinstance(parsed, dict):
        parsed = parsed.get("error") or parsed.get("message") or ""
    return " ".join(str(parsed).split())[:400]


class V2Endpoint:
    """``/api/v2/write``, which 2.x and 3.x servers take (3.x: the bucket is the database)."""

    def __init__(self, settings: InfluxSettings) -> None:
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        self._bucket = settings.bucket or settings.database or ""
        # 3.x knows no organisations, and its v2 endpoint does not look; the library wants a name.
        self._org = settings.org or "-"
        self._address = settings.url
        self._client = InfluxDBClient(
            url=settings.url, token=settings.token or "", org=self._org, enable_gzip=True,
            timeout=(round(_CONNECT * 1000), round(_QUIET * 1000)),
            ssl_ca_cert=str(settings.ca) if settings.ca else None,
        )
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    def __repr__(self) -> str:
        return f"V2Endpoint({self._address}, bucket {self._bucket})"

    def write(self, body: bytes) -> None:
        import urllib3.exceptions
        from influxdb_client.domain.write_precision import WritePrecision
        from influxdb_client.rest import ApiException

        try:
            self._api.write(bucket=self._bucket, org=self._org, record=body,
                            write_precision=WritePrecision.MS)  # type: ignore[arg-type]
        except ApiException as exc:
            if not exc.status:  # how the library says that TLS failed
                raise DeliveryUnreachable(_short(exc.reason)) from exc
            text = exc.body.decode("utf-8", "replace") if isinstance(exc.body, bytes) \
                else exc.body or exc.reason or ""
            raise error_of(exc.status, exc.headers or {}, text) from exc
        except (urllib3.exceptions.HTTPError, OSError) as exc:
            raise DeliveryUnreachable(_short(exc)) from exc

    def close(self) -> None:
        # The library lets go of its connections without closing them.
        if self._client.api_client is not None:
            self._client.api_client.rest_client.pool_manager.clear()
        self._api.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]


class V1Endpoint:
    """``/write`` of 1.x servers."""

    def __init__(self, settings: InfluxSettings) -> None:
        import urllib3

        self._address = settings.url.rstrip("/")
        self._query = {"db": settings.database or "", "precision": "ms"}
        self._headers = {"Content-Encoding": "gzip", "Content-Type": "text/plain; charset=utf-8"}
        if settings.username is not None:
            # The library would write it in Latin-1; the server reads UTF-8.
            pair = f"{settings.username}:{settings.password or ''}".encode()
            self._headers["Authorization"] = f"Basic {base64.b64encode(pair).decode()}"
        self._pool = urllib3.PoolManager(
            num_pools=1, maxsize=1, retries=False, cert_reqs="CERT_REQUIRED",
            ca_certs=str(settings.ca) if settings.ca else None,
            timeout=urllib3.Timeout(connect=_CONNECT, read=_QUIET),
        )

    def __repr__(self) -> str:
        return f"V1Endpoint({self._address}, database {self._query['db']})"

    def write(self, body: bytes) -> None:
        import urllib3.exceptions
        from urllib3.util import Url, parse_url

        where = parse_url(self._address)
        query = "&".join(f"{k}={_quoted(v)}" for k, v in self._query.items())
        url = Url(where.scheme, None, where.host, where.port, f"{where.path or ''}/write", query)
        try:
            answer = self._pool.request("POST", url.url, body=gzip.compress(body, 6),
                                        headers=self._headers)
        except (urllib3.exceptions.HTTPError, OSError) as exc:
            raise DeliveryUnreachable(_short(exc)) from exc
        if not 200 <= answer.status < 300:
            raise error_of(answer.status, answer.headers,
                           answer.data.decode("utf-8", "replace"))

    def close(self) -> None:
        self._pool.clear()


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text, safe="")


def _short(reason: object) -> str:
    """Return a library's message without the object addresses in it."""
    words = " ".join(str(reason).split())
    return words.rpartition(">: ")[2][:300] or type(reason).__name__


_LARGEST = 1_000_000


class DeadLetterFile:
    """Points that cannot be delivered, as JSON lines; one older file is kept beside it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __repr__(self) -> str:
        return f"DeadLetterFile({self.path})"

    def add(self, points: Sequence[DeadLetter], now: int) -> None:
        """Append points. Raises ``OSError`` when the file cannot be written."""
        if self.path.exists() and self.path.stat().st_size > _LARGEST:
            os.replace(self.path, self.path.with_name(self.path.name + ".old"))
        with self.path.open("a", encoding="utf-8") as out:
            for point in points:
                out.write(json.dumps({"time": format_instant(now), "why": point.why,
                                      "line": point.line}, ensure_ascii=False) + "\n")


_SEARCH = 200
"""Requests spent to find refused lines on a server that keeps the others of a batch."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The outcome of a batch: number of lines accepted, number too old, and the dead letters."""

    accepted: int
    too_old: int
    dead_letters: tuple[DeadLetter, ...]


async def deliver(
    write: Callable[[Sequence[str]], Awaitable[None]], lines: Sequence[str], *,
    doubted: bool = False,
) -> Outcome:
    """Write ``lines``; find those the server refuses, and deliver the rest.

    With ``doubted`` a server that fails on lines counts as refusing them, as long as it accepts
    others of the batch. Raises what ``write`` raises but ``LinesRefused``; the whole batch may
    then be written again.
    """
    refused_by = (LinesRefused, ServerFault) if doubted else (LinesRefused,)
    dead: list[DeadLetter] = []
    too_old, requests, anything = 0, 0, False
    waiting = [lines]
    while waiting:
        part = waiting.pop()
        requests += 1
        try:
            await write(part)
            anything = True
        except refused_by as exc:
            refused = exc if isinstance(exc, LinesRefused) else None
            if refused is not None and refused.too_old and refused.rest_taken:
                too_old += refused_count(str(exc), len(part))
            elif refused is None and not anything and len(part) == 1 and (dead or not waiting):
                raise  # it fails on one after the other: the lines are not the reason
            elif len(part) == 1 or (refused is not None and refused.rest_taken
                                    and requests > _SEARCH):
                # Not searched line by line: the server has kept the good lines of this part.
                dead += [DeadLetter(line=line, why=str(exc)) for line in part]
            else:
                middle = len(part) // 2
                waiting += [part[middle:], part[:middle]]
    return Outcome(accepted=len(lines) - len(dead) - too_old, too_old=too_old,
                   dead_letters=tuple(dead))


def refused_count(text: str, most: int) -> int:
    """Return the number in ``dropped=3`` of a server's answer, or ``most`` where it has none."""
    digits = text.rpartition("dropped=")[2]
    number = digits[:len(digits) - len(digits.lstrip("0123456789"))]
    return min(int(number), most) if number else most


TARGET = "InfluxDB"

DEAD_LETTERS = "forwarding-set-aside"

_REPORT_EVERY = 10 * MINUTE
"""ms between two events about dead letters: such an event may itself be one."""

_log = logging.getLogger(__name__)


class Stopped(Exception):  # noqa: N818 - not an error: the request under way is abandoned
    """The process stopped before the server had answered."""


class BatchSender:
    """Sends batches to one server. Setting ``expired`` abandons a request under way."""

    def __init__(
        self, *, site: str, clock: Clock, record_event: Callable[[SystemEvent], object],
        dead_letters: DeadLetterFile,
        retry: RetryPolicy,
    ) -> None:
        self._site, self._clock, self._record_event = site, clock, record_event
        self._file = dead_letters
        self._retry = retry
        self._make: Callable[[], Endpoint] | None = None
        self._endpoint: Endpoint | None = None
        self._unreported: list[DeadLetter] = []
        self._unreported_count = 0
        self._reported_at = -_REPORT_EVERY
        self.so_far = ForwardStatistics(target=TARGET)
        self.expired = asyncio.Event()

    def __repr__(self) -> str:
        return f"BatchSender({self._endpoint or 'not connected'})"

    def use(self, make: Callable[[], Endpoint] | None) -> None:
        """Continue with another server; ``make`` is called in a thread, with the next batch."""
        if self._endpoint is not None:
            self._endpoint.close()
        self._make, self._endpoint = make, None

    async def send(self, lines: Sequence[str], *, doubted: bool) -> None:
        """Deliver ``lines``. Raises ``DeliveryError`` or :class:`Stopped`."""
        outcome = await deliver(self._write, lines, doubted=doubted)
        self.add(sent=outcome.accepted, too_old=outcome.too_old)
        self.so_far = replace(self.so_far, last_sent=self._clock.now())
        await self.add_dead_letters(outcome.dead_letters)

    async def _write(self, lines: Sequence[str]) -> None:
        body = "\n".join(lines).encode()
        sending = asyncio.ensure_future(in_thread(lambda: self._blocking(body)))
        expired = asyncio.ensure_future(self.expired.wait())
        try:
            await asyncio.wait({sending, expired}, timeout=self._retry.deadline,
                               return_when=asyncio.FIRST_COMPLETED)
            if not sending.done():
                if self.expired.is_set():
                    raise Stopped
                self._endpoint = None  # the thread keeps the old one to itself
                raise DeliveryUnreachable(f"no end within {self._retry.deadline:g} s")
            await sending
        finally:
            sending.cancel()
            expired.cancel()

    def _blocking(self, body: bytes) -> None:
        if self._endpoint is None:
            assert self._make is not None
            self._endpoint = self._make()
        self._endpoint.write(body)

    async def add_dead_letters(self, points: Sequence[DeadLetter]) -> None:
        """Keep points that cannot be delivered; :meth:`report` records an event about them."""
        if not points:
            return
        _log.error("points kept as dead letters",
                   extra={"points": len(points), "reason": points[0].why})
        self.add(dead_letters=len(points))
        self._unreported_count += len(points)
        self._unreported = [points[-1]]
        try:
            await asyncio.to_thread(self._file.add, points, self._clock.now())
        except OSError as exc:
            _log.error("the dead letters could not be kept", extra={"reason": str(exc)})

    def report(self) -> None:
        """Record an event with the number of dead letters since the last one, every 10 min."""
        moment = self._clock.monotonic()
        if not self._unreported or moment - self._reported_at < _REPORT_EVERY:
            return
        count, last, self._reported_at = self._unreported_count, self._unreported[-1], moment
        self._unreported, self._unreported_count = [], 0
        points = "1 point" if count == 1 else f"{count} points"
        self._record_event(SystemEvent(
            time=self._clock.now(), site=self._site, fact=DEAD_LETTERS,
            text=f"{points} could not be delivered to {TARGET} and will not be tried again. "
                 f"The last one: {last.why}",
            values={"target": TARGET, "points": count},
        ))

    def add(self, **more: int) -> None:
        self.so_far = replace(self.so_far, **{
            name: getattr(self.so_far, name) + count for name, count in more.items()
        })
