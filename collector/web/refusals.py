"""What is said no to, and how: one exception, written as JSON or as a page."""

from __future__ import annotations

__all__ = ["Refusal"]


class Refusal(Exception):
    """A request that is not carried out. ``sentence`` is fit for whoever asked."""

    def __init__(self, status: int, sentence: str) -> None:
        self.status = status
        self.sentence = sentence
        super().__init__(sentence)
