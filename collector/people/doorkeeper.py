"""Signing in and out: who is at the door, for how long, and how often one may try.

The clock is the machine's own, not a demo's: people and guessers do not run faster there.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from dataclasses import dataclass, field

from collector.clock import Clock
from collector.domain.errors import QuietpipeError
from collector.people.accounts import Accounts, PeopleError
from collector.people.roles import Role
from collector.people.throttle import Throttle

__all__ = ["IDLE", "LONGEST", "Doorkeeper", "Session", "SlowDown", "WrongPassword"]

IDLE = 12 * 3_600_000
"""ms without a request after which a session ends: a shift."""
LONGEST = 7 * 86_400_000
"""ms after which it ends in any case."""
_MINUTE = 60_000
_AT_ONCE = 2
"""Passwords checked at the same time; each takes 64 MiB and a core."""


class SlowDown(QuietpipeError):
    """Too many failures. ``wait`` is in whole seconds, at least 1.

    ``first``: nobody was told of this run of failures yet.
    """

    def __init__(self, wait: int, *, first: bool = False) -> None:
        self.first = first
        self.wait = max(-(-wait // 1000), 1)
        super().__init__(f"Too many tries. Wait {self.wait} s, then try again.")


class WrongPassword(QuietpipeError):
    """The name or the password is wrong; which of them is not said."""

    def __init__(self) -> None:
        super().__init__("Name or password is wrong.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Somebody who is signed in."""

    name: str
    role: Role
    csrf: str = field(repr=False)
    digest: bytes = field(repr=False)


class Doorkeeper:
    """Opens and finds sessions, and holds up whoever guesses.

    Without ``accounts`` (their file is damaged, say) nobody gets in, and the pages still work.
    Raises ``PeopleError`` when the accounts cannot be read.
    """

    def __init__(self, accounts: Accounts | None, clock: Clock) -> None:
        self._accounts = accounts
        self._clock = clock
        self._throttle = Throttle()
        self._slots = asyncio.Semaphore(_AT_ONCE)
        self._secret = secrets.token_bytes(32)

    def __repr__(self) -> str:
        return f"Doorkeeper({self._accounts!r})"

    def has_people(self) -> bool:
        """Whether there is any account."""
        return self._accounts is not None and bool(self._accounts.people())

    @property
    def accounts(self) -> Accounts:
        """The accounts; raises ``PeopleError`` where they could not be opened."""
        if self._accounts is None:
            raise PeopleError("the accounts of this board cannot be used")
        return self._accounts

    async def sign_in(self, name: str, password: str, address: str) -> str:
        """Open a session and return its id, which is new each time.

        Raises ``SlowDown`` without looking at the password, or ``WrongPassword``.
        """
        keys = (f"name {' '.join(name.split()).casefold()[:100]}", f"address {address}")
        self._hold_up(keys)
        async with self._slots:
            found = await asyncio.to_thread(self.accounts.fits, name, password)
        if found is None:
            raise WrongPassword
        self._throttle.succeed(keys)
        return self._open(found)

    def _hold_up(self, keys: tuple[str, ...]) -> None:
        now = self._clock.monotonic()
        if wait := self._throttle.wait(keys, now):
            raise SlowDown(wait, first=self._throttle.warn(keys))
        self._throttle.begin(keys, now)

    def _open(self, name: str) -> str:
        token, now = secrets.token_urlsafe(32), self._clock.now()
        with self.accounts.transaction() as db:
            db.execute("DELETE FROM sessions WHERE used < ? OR opened < ?",
                       (now - IDLE, now - LONGEST))
            db.execute("INSERT INTO sessions SELECT ?, key, ?, ?, ? FROM people WHERE key = ?",
                       (_digest(token), secrets.token_urlsafe(32), now, now, name.casefold()))
            db.execute("UPDATE people SET seen = ? WHERE key = ?", (now, name.casefold()))
        return token

    def find(self, token: str, *, used: bool = True) -> Session | None:
        """Return the session of an id, or ``None`` when there is none or it has run out.

        ``used``: a person asks, not a page that refreshes itself while nobody looks.
        """
        if self._accounts is None or not 20 <= len(token) <= 100:
            return None
        now, digest = self._clock.now(), _digest(token)
        with self.accounts.reading() as db:
            row = db.execute(
                "SELECT p.name, p.role, s.csrf, s.opened, s.used FROM sessions s "
                "JOIN people p ON p.key = s.key WHERE s.digest = ?", (digest,)).fetchone()
        if row is None:
            return None
        name, role, csrf, opened, before = row
        if now - before >= IDLE or now - opened >= LONGEST:
            self.end(digest)
            return None
        if used and abs(now - before) >= _MINUTE:  # not with each request: a page asks often
            with self.accounts.transaction() as db:
                db.execute("UPDATE sessions SET used = ? WHERE digest = ?", (now, digest))
        return Session(name=name, role=Role(role), csrf=csrf, digest=digest)

    def end(self, digest: bytes) -> None:
        """End one session."""
        with self.accounts.transaction() as db:
            db.execute("DELETE FROM sessions WHERE digest = ?", (digest,))

    async def change_password(self, session: Session, old: str, new: str, address: str) -> None:
        """Set another password for whoever is signed in; ends every session of theirs.

        Raises ``WrongPassword``, ``SlowDown``, or ``UsageError`` when the new one will not do.
        """
        keys = (f"name {session.name.casefold()}", f"address {address}")
        self._hold_up(keys)
        async with self._slots:
            if await asyncio.to_thread(self.accounts.fits, session.name, old) is None:
                raise WrongPassword
            self._throttle.succeed(keys)
            await asyncio.to_thread(self.accounts.set_password, session.name, new,
                                    self._clock.now())

    # -- what needs no account -------------------------------------------------------------------

    def check_token(self, given: bytes, token: str, address: str) -> bool:
        """Whether ``given`` is the token of the site file; raises ``SlowDown`` for a guesser."""
        keys = (f"token {address}",)
        self._hold_up(keys)
        # Compared in constant time, so that the answer's delay tells nothing about the token.
        right = hmac.compare_digest(given, token.encode())
        if right:
            self._throttle.succeed(keys)
        return right

    def mark(self, visitor: str) -> str:
        """Return the mark that a form for somebody not signed in must bring back."""
        return hmac.new(self._secret, visitor.encode(), hashlib.sha256).hexdigest()


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()
