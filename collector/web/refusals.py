"""What is said no to, and how: one exception, written as JSON or as a page."""

from __future__ import annotations

__all__ = ["AskedFromElsewhere", "Refusal", "SignInFirst"]


class Refusal(Exception):
    """A request that is not carried out. ``sentence`` is fit for whoever asked.

    ``retry_after`` (s) says when it may be tried again.
    """

    def __init__(self, status: int, sentence: str, *, retry_after: int | None = None) -> None:
        self.status = status
        self.sentence = sentence
        self.retry_after = retry_after
        super().__init__(sentence)


class SignInFirst(Exception):
    """A person is shown the sign-in, and then led to ``back`` (a path of ours, quoted)."""

    def __init__(self, back: str) -> None:
        self.back = back
        super().__init__("sign in first")


class AskedFromElsewhere(Exception):
    """Another site's link led here, without the cookie: the browser is to ask again by itself."""
