"""The write endpoints: v2 and v3 through the client library, v1 by its own form.

One call is one request: gzip in, nothing back. Repeating, waiting and splitting are decided
elsewhere; here only what the server said becomes one of our errors. The libraries are loaded on
first use, so that a watch without a far end stays light.
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

__all__ = ["Busy", "ServerFault", "V1Wire", "V2Wire", "Wire", "error_of", "wire_to"]

_CONNECT, _QUIET = 5.0, 20.0
"""Seconds for a connection to open, and for a socket to stay quiet."""

_LATER = frozenset({408, 425, 429, 502, 503, 504})
_OF_THE_LINES = frozenset({400, 413, 422})


class Busy(DeliveryUnreachable):
    """The server asks to be left alone for ``after`` ms."""

    def __init__(self, message: str, *, after: int) -> None:
        self.after = after
        super().__init__(message)


class ServerFault(DeliveryUnreachable):
    """The server broke on the request: its own trouble, or something in what was sent."""


class Wire(Protocol):
    """One server. Calls block; they are made in a thread."""

    def write(self, body: bytes) -> None:
        """Return once the server has taken every line of ``body``.

        Raises ``DeliveryUnreachable`` (:class:`Busy`), ``DeliveryRefused`` or ``LinesRefused``.
        """

    def close(self) -> None:
        """Let connections go. May be called twice."""


def wire_to(settings: InfluxSettings) -> Wire:
    """Return the endpoint that the settings name."""
    return V1Wire(settings) if settings.api == "v1" else V2Wire(settings)


def error_of(status: int, headers: Mapping[str, str], text: str) -> DeliveryError:
    """Return what an HTTP answer other than success means."""
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
    """Return the sentence of an answer, which v1 calls error and the others message."""
    try:
        parsed: Any = json.loads(text)
    except ValueError:
        parsed = text
    if isinstance(parsed, dict):
        parsed = parsed.get("error") or parsed.get("message") or ""
    return " ".join(str(parsed).split())[:400]


class V2Wire:
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
        return f"V2Wire({self._address}, bucket {self._bucket})"

    def write(self, body: bytes) -> None:
        """See :class:`Wire`."""
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
        """See :class:`Wire`."""
        # The library lets go of its connections without closing them.
        if self._client.api_client is not None:
            self._client.api_client.rest_client.pool_manager.clear()
        self._api.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]


class V1Wire:
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
        return f"V1Wire({self._address}, database {self._query['db']})"

    def write(self, body: bytes) -> None:
        """See :class:`Wire`."""
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
        """See :class:`Wire`."""
        self._pool.clear()


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text, safe="")


def _short(reason: object) -> str:
    """Return a library's words without the object addresses it puts into them."""
    words = " ".join(str(reason).split())
    return words.rpartition(">: ")[2][:300] or type(reason).__name__
