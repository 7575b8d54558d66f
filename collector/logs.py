"""Logging to stderr: one line per record, secrets removed, standard library only.

Code logs with the standard ``logging`` and puts its facts into ``extra``; they become fields. A
terminal gets ``key=value`` lines, everything else one JSON object per line.
"""

from __future__ import annotations

import asyncio
import json
import logging
import re
import sys
import threading
from collections.abc import Callable, Iterator
from typing import TextIO, TypeVar

from collector.clock import format_instant

LEVELS = ("debug", "info", "warning", "error")

_OWN = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}
"""What every record has; the rest came through ``extra``."""

_NAMES = re.compile(r"password|passwd|secret|token|authorization|cookie|api_?key", re.IGNORECASE)
_IN_URL = re.compile(r"(?P<scheme>\b[a-z][a-z0-9+.-]*://)[^\s/@]+@", re.IGNORECASE)
_HIDDEN = "***"

_secrets: set[str] = set()
_lock = threading.Lock()


def hide_secret(secret: str) -> None:
    """Replace ``secret`` by stars in everything logged from now on, wherever it turns up.

    Shorter than four characters it is let be: it would blot out ordinary words.
    """
    if len(secret) >= 4:
        with _lock:
            _secrets.add(secret)


def _clean(text: str) -> str:
    with _lock:
        known = sorted(_secrets, key=len, reverse=True)
    for secret in known:
        text = text.replace(secret, _HIDDEN)
    return _IN_URL.sub(rf"\g<scheme>{_HIDDEN}@", text)


def _plain(value: object) -> str | int | float | bool | None:
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float) and abs(value) != float("inf") and value == value:
        return value
    return _clean(str(value))


def _fields(record: logging.LogRecord) -> Iterator[tuple[str, str | int | float | bool | None]]:
    yield "time", format_instant(int(record.created * 1000))
    yield "level", record.levelname.lower()
    yield "logger", record.name
    yield "message", _clean(record.getMessage())
    for name, value in vars(record).items():
        if name not in _OWN:
            yield name, _HIDDEN if _NAMES.search(name) else _plain(value)


def _one_line(text: str) -> str:
    """Return a text whose line ends and control characters are written as JSON writes them.

    What a device or a visitor sends must not look like a line of ours, or steer a terminal.
    """
    return text if text.isprintable() else "".join(
        c if c.isprintable() else json.dumps(c)[1:-1] for c in text)


class _Lines(logging.Formatter):
    """Common to both forms: the trace of an exception, cleaned."""

    def trace(self, record: logging.LogRecord) -> str:
        """Return the exception's trace, or nothing."""
        return _clean(self.formatException(record.exc_info)) if record.exc_info else ""


class JsonLines(_Lines):
    """One JSON object per line."""

    def format(self, record: logging.LogRecord) -> str:
        fields = dict(_fields(record))
        if trace := self.trace(record):
            fields["trace"] = trace
        return _one_line(json.dumps(fields, ensure_ascii=False, separators=(",", ":")))


class TerminalLines(_Lines):
    """``time LEVEL message key=value …``, the trace below it."""

    def format(self, record: logging.LogRecord) -> str:
        fields = dict(_fields(record))
        head = [str(fields.pop("time")), str(fields.pop("level")).upper().ljust(7),
                str(fields.pop("message"))]
        fields.pop("logger")
        tail = [f"{k}={json.dumps(v, ensure_ascii=False) if _quoted(v) else v}"
                for k, v in fields.items()]
        trace = self.trace(record)
        return _one_line(" ".join(head + tail)) + (f"\n{trace}" if trace else "")


def _quoted(value: object) -> bool:
    return value is None or isinstance(value, bool) or (
        isinstance(value, str) and (not value or re.search(r"[\s\"=]", value) is not None)
    )


class RepeatFilter(logging.Filter):
    """Leaves out a line that is written too often, and says how often with the next like it."""

    MOST, SPELL = 20, 60.0
    """Lines with one message in so many seconds."""

    def __init__(self) -> None:
        super().__init__()
        self._seen: dict[tuple[str, int, str], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Return whether the record is written."""
        key = (record.name, record.levelno, record.getMessage())
        began, count = self._seen.get(key, (record.created, 0))
        if not 0 <= record.created - began < self.SPELL:
            if count > self.MOST:
                record.left_out = count - self.MOST
            began, count = record.created, 0
        if len(self._seen) > 1000:
            self._seen.clear()
        self._seen[key] = began, count + 1
        return count < self.MOST


class _Stderr(logging.StreamHandler[TextIO]):
    """Writes to the stderr of the moment, so that a test or a wrapper may exchange it."""

    def __init__(self) -> None:
        logging.Handler.__init__(self)

    @property
    def stream(self) -> TextIO:  # type: ignore[override]
        return sys.stderr


def configure_logs(
    *, level: str = "info", form: str = "auto", stream: TextIO | None = None
) -> None:
    """Send every log record to ``stream`` (stderr) as ``form``: ``json``, ``text`` or ``auto``.

    ``auto`` is text for a terminal and JSON otherwise. Calling it again replaces what was set.
    Raises ``ValueError`` for another level or form.
    """
    if level not in LEVELS:
        raise ValueError(f"no such log level: {level!r}; expected one of {', '.join(LEVELS)}")
    if form not in ("auto", "json", "text"):
        raise ValueError(f"no such log form: {form!r}; expected auto, json or text")
    handler = _Stderr() if stream is None else logging.StreamHandler(stream)
    text = form == "text" or (form == "auto" and (stream or sys.stderr).isatty())
    handler.setFormatter(TerminalLines() if text else JsonLines())
    handler.set_name("quietpipe")
    handler.addFilter(RepeatFilter())
    root = logging.getLogger()
    for old in [h for h in root.handlers if h.get_name() == "quietpipe"]:
        root.removeHandler(old)
        old.close()
    root.addHandler(handler)
    root.setLevel(level.upper())
    # The library logs every job added and run; failures reach us through its events.
    logging.getLogger("apscheduler").setLevel(logging.ERROR)


T = TypeVar("T")


async def in_thread(work: Callable[[], T]) -> T:
    """Run ``work`` in a daemon thread; return what it returns, raise what it raises.

    Unlike the event loop's own threads it never delays the end of the process: a caller cancelled
    while waiting leaves the thread running.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[T] = loop.create_future()

    def settle(result: T | None, error: BaseException | None) -> None:
        if done.done():
            return
        if error is None:
            done.set_result(result)  # type: ignore[arg-type]
        else:
            done.set_exception(error)

    def run() -> None:
        result, error = None, None
        try:
            result = work()
        except BaseException as exc:  # noqa: BLE001 - carried over to the waiting task
            error = exc
        try:
            loop.call_soon_threadsafe(settle, result, error)
        except RuntimeError:
            # The loop has been closed: no caller waits any more.
            logging.getLogger(__name__).debug("a thread ended after its loop")

    threading.Thread(target=run, name="quietpipe-send", daemon=True).start()
    return await done
