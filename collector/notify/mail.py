"""Tells whether a mail may have arrived although its server did not say so.

Once the text of a mail is on its way, no answer means neither yes nor no (RFC 5321 4.5.3.2.6 and
6.1: a receiver that is slow to answer causes duplicates). The library that sends says no more than
that it failed, so the standard library's client, which it uses, is asked.
"""

from __future__ import annotations

import smtplib
import threading
from typing import Any

__all__ = ["begin", "may_have_arrived"]

_local = threading.local()
_original = smtplib.SMTP.data


def _data(self: smtplib.SMTP, msg: Any) -> Any:
    try:
        return _original(self, msg)
    except smtplib.SMTPDataError:
        raise  # an answer, and it was no
    except OSError:  # the socket's errors, and those of smtplib
        _local.uncertain = True
        raise


def begin() -> None:
    """Begin a mail on this thread."""
    if smtplib.SMTP.data is _original:
        smtplib.SMTP.data = _data  # type: ignore[method-assign]
    _local.uncertain = False


def may_have_arrived() -> bool:
    """Whether the mail that failed last on this thread may have been taken."""
    return bool(getattr(_local, "uncertain", False))
