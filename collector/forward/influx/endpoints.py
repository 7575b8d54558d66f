"""The write endpoints of InfluxDB: v2 and v3 through the client library, v1 by its own form.

One call is one request. Retries and splitting are decided by the caller; a server's answer other
than success becomes a ``DeliveryError``. The libraries are loaded on first use, so that a daemon
without an InfluxDB stays light.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Mapping
from typing import Any, Protocol

from collector.domain.errors import (
    DeliveryError,
    DeliveryRefused,
    DeliveryUnreachable,
    LinesRefused,
)
from collector.forward.settings import InfluxSettings

__all__ = ["Busy", "Endpoint", "ServerFault", "V1Endpoint", "V2Endpoint", "endpoint_of", "error_of"]

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
    """Return the endpoint for the settings."""
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
        """See :class:`Endpoint`."""
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
        """See :class:`Endpoint`."""
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
        """See :class:`Endpoint`."""
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
        """See :class:`Endpoint`."""
        self._pool.clear()


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text, safe="")


def _short(reason: object) -> str:
    """Return a library's message without the object addresses in it."""
    words = " ".join(str(reason).split())
    return words.rpartition(">: ")[2][:300] or type(reason).__name__
