"""Errors that are answered over HTTP, as JSON or as a page."""

from __future__ import annotations

__all__ = ["CrossSiteNavigation", "HttpError", "SignInRequired"]


class HttpError(Exception):
    """A refused request. ``sentence`` is shown to the visitor.

    ``retry_after`` (s) says when the request may be repeated.
    """

    def __init__(self, status: int, sentence: str, *, retry_after: int | None = None) -> None:
        self.status = status
        self.sentence = sentence
        self.retry_after = retry_after
        super().__init__(sentence)


class SignInRequired(Exception):
    """The visitor must sign in and then continues to ``back`` (a path of ours, quoted)."""

    def __init__(self, back: str) -> None:
        self.back = back
        super().__init__("sign in first")


class CrossSiteNavigation(Exception):
    """A link of another site led here without the session cookie; the browser must ask again."""
