"""Errors by their origin: site file, device, journal, delivery.

A foreign exception becomes one of these once, at the boundary where it arrives, with
``raise … from``. Only what derives from :class:`Retryable` is ever tried again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class QuietpipeError(Exception):
    """Root of every error this project raises on purpose; its text is fit for a technician."""


class Retryable(QuietpipeError):
    """The same attempt may succeed later without anyone changing anything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One mistake in a site file, device profile or recorded file.

    ``place`` is the path a person can find (``site.toml: generators[0].cut_in``, with the line
    where it is known), ``problem`` what is wrong and ``expected`` what would be right.
    """

    place: str
    problem: str
    expected: str = ""

    def __str__(self) -> str:
        tail = f"; expected {self.expected}" if self.expected else ""
        return f"{self.place}: {self.problem}{tail}"


class SiteFileError(QuietpipeError):
    """The site file, or a file it names, is wrong. Carries every mistake found, not the first."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(m) for m in self.mistakes))


class ActionRefused(QuietpipeError):
    """The alarm's state does not allow the action; nothing has changed."""


class UsageError(QuietpipeError):
    """A command was called with a wrong argument."""


class DeviceError(QuietpipeError):
    """A device did not return the values requested."""


class DeviceSilent(DeviceError, Retryable):
    """No reply within the time-out."""


class LinkDown(DeviceError, Retryable):
    """The line to the device could not be opened, or broke."""


class DeviceRefused(DeviceError, Retryable):
    """The device answered with a Modbus exception. ``code`` is the exception code."""

    def __init__(self, message: str, *, code: int) -> None:
        self.code = code
        super().__init__(message)


class DeviceReplyInvalid(DeviceError, Retryable):
    """A reply arrived that does not answer the question: never a source of values."""


class JournalError(QuietpipeError):
    """The journal could not store or return data."""


class JournalCorrupt(JournalError):
    """The file is not a journal, or is damaged."""


class JournalReplaced(JournalCorrupt):
    """The file, or its lock, was deleted or replaced while it was open."""


class JournalFull(JournalError, Retryable):
    """The disk has no room."""


class DeliveryError(QuietpipeError):
    """A message did not reach its recipient."""


class DeliveryUnreachable(DeliveryError, Retryable):
    """The server is unreachable, or asks for a later attempt."""


class DeliveryUncertain(DeliveryUnreachable):
    """The server took the message and did not answer: it may have arrived."""


class DeliveryRefused(DeliveryError):
    """The server refuses, and will until the site file is changed."""


class LinesRefused(DeliveryError):
    """The server works but refused some of the lines sent.

    ``rest_taken``: it stored the other lines. ``too_old``: the refused lines are older than its
    retention period, which is no error.
    """

    def __init__(self, message: str, *, rest_taken: bool = False, too_old: bool = False) -> None:
        self.rest_taken = rest_taken
        self.too_old = too_old
        super().__init__(message)
