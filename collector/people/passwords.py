"""Passwords: what is accepted as one, and argon2id as RFC 9106 (low memory) sets it."""

from __future__ import annotations

import secrets
import unicodedata

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from collector.domain.errors import UsageError

__all__ = ["SHORTEST", "Passwords"]

SHORTEST = 10
"""Characters. Length is what counts: NIST SP 800-63B asks for 8 and for no mixture of kinds."""
_LONGEST = 200


class Passwords:
    """Makes and checks hashes. ``hasher`` is argon2's own with its defaults unless said."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        # Checked when nobody has the name that was given, so that both take equally long.
        self._nobody = self._hasher.hash(secrets.token_urlsafe(32))

    def __repr__(self) -> str:
        return "Passwords(argon2id)"

    def make(self, password: str, name: str) -> str:
        """Return the hash of a new password.

        Raises ``UsageError`` when it is too short, too long, the name itself, or one thing only.
        """
        plain = _normal(password)
        if len(plain) < SHORTEST:
            raise UsageError(f"a password needs {SHORTEST} characters or more")
        if len(plain) > _LONGEST:
            raise UsageError(f"a password may have {_LONGEST} characters at most")
        if len(set(plain)) < 4 or plain.casefold() == name.casefold():
            raise UsageError("that password is too easily guessed")
        return self._hasher.hash(plain)

    def fits(self, password: str, kept: str | None) -> bool:
        """Whether ``password`` is the one; ``kept`` is ``None`` where nobody has the name."""
        plain = _normal(password)[:_LONGEST + 1]
        try:
            right = self._hasher.verify(kept or self._nobody, plain)
        except (VerificationError, InvalidHashError):
            return False
        return right and kept is not None

    def is_dated(self, kept: str) -> bool:
        """Whether a hash was made with other settings than today's."""
        return self._hasher.check_needs_rehash(kept)


def _normal(password: str) -> str:
    # The same key gives other code points on other machines (RFC 8265 asks for this too).
    return unicodedata.normalize("NFC", password)
