"""Sessions: sign-in, expiry, sign-out, and the delay after failed attempts.

The clock is the machine's own, which a demo does not speed up.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from collections import OrderedDict
from dataclasses import dataclass, field

from collector.clock import Clock
from collector.domain.errors import QuietpipeError
from collector.domain.units import DAY, HOUR, MINUTE, SECOND
from collector.people import Accounts, AccountsError, Role

_FREE = 5
"""Failures without a wait: typing errors."""
_FIRST, _LONGEST = SECOND, MINUTE
"""ms to wait after the first failure too many, and at most. A minute for one try leaves 1440 a day:
hopeless against a password of ten characters, and yet no person can lock another out for long."""
_FORGOTTEN = HOUR
"""ms without a failure after which the count starts again."""
_KEPT = 10_000
"""Most keys kept, so that made-up names cannot fill the memory."""


@dataclass(slots=True)
class _Record:
    failures: int = 0
    last: int = 0
    reported: bool = False


class AttemptLimiter:
    """Counts failures by key. All instants are ms on a scale that never jumps."""

    def __init__(self) -> None:
        self._records: OrderedDict[str, _Record] = OrderedDict()

    def __repr__(self) -> str:
        return f"AttemptLimiter({len(self._records)} keys)"

    def wait(self, keys: tuple[str, ...], now: int) -> int:
        """Return how long (ms) an attempt has to wait; 0 when it may be made."""
        return max((self._wait(self._records.get(key), now) for key in keys), default=0)

    def _wait(self, record: _Record | None, now: int) -> int:
        if record is None or record.failures < _FREE or now - record.last >= _FORGOTTEN:
            return 0
        pause: int = min(_FIRST << min(record.failures - _FREE, 16), _LONGEST)
        return max(record.last + pause - now, 0)

    def report_due(self, keys: tuple[str, ...]) -> bool:
        """Whether this run of failures is to be reported: once, not with every attempt."""
        fresh = [r for key in keys if (r := self._records.get(key)) is not None
                 and r.failures >= _FREE and not r.reported]
        for record in fresh:
            record.reported = True
        return bool(fresh)

    def begin(self, keys: tuple[str, ...], now: int) -> None:
        """Count an attempt as failed before its outcome is known: many at once gain nothing."""
        for key in keys:
            record = self._records.setdefault(key, _Record())
            if now - record.last >= _FORGOTTEN:
                record.failures, record.reported = 0, False
            record.failures += 1
            record.last = now
            self._records.move_to_end(key)
        while len(self._records) > _KEPT:
            self._records.popitem(last=False)

    def succeed(self, keys: tuple[str, ...]) -> None:
        """Reset the failures of keys whose attempt succeeded."""
        for key in keys:
            self._records.pop(key, None)


IDLE = 12 * HOUR
"""ms without a request after which a session ends: a shift."""
LONGEST = 7 * DAY
"""ms after which a session ends in any case."""
_AT_ONCE = 2
"""Passwords checked at the same time; each takes 64 MiB and a core."""


class TooManyAttempts(QuietpipeError):
    """Too many failed attempts. ``wait`` is in whole seconds, at least 1.

    ``first`` is true once in a run of failures: it has not been reported yet.
    """

    def __init__(self, wait: int, *, first: bool = False) -> None:
        self.first = first
        self.wait = max(-(-wait // 1000), 1)
        super().__init__(f"Too many tries. Wait {self.wait} s, then try again.")


class WrongPassword(QuietpipeError):
    """The name or the password is wrong; the error does not say which."""

    def __init__(self) -> None:
        super().__init__("Name or password is wrong.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A session of a signed-in person."""

    name: str
    role: Role
    csrf: str = field(repr=False)
    digest: bytes = field(repr=False)


class SessionManager:
    """Opens, finds and ends sessions, and delays attempts after failures.

    Without ``accounts`` (a damaged file, say) sign-in is impossible, and the pages still work.
    Raises ``AccountsError`` when the accounts cannot be read.
    """

    def __init__(self, accounts: Accounts | None, clock: Clock) -> None:
        self._accounts = accounts
        self._clock = clock
        self._limiter = AttemptLimiter()
        self._hashing = asyncio.Semaphore(_AT_ONCE)
        self._secret = secrets.token_bytes(32)

    def __repr__(self) -> str:
        return f"SessionManager({self._accounts!r})"

    def has_people(self) -> bool:
        """Whether there is an account."""
        return self._accounts is not None and bool(self._accounts.people())

    @property
    def accounts(self) -> Accounts:
        """The accounts; raises ``AccountsError`` where they could not be opened."""
        if self._accounts is None:
            raise AccountsError("the accounts of this board cannot be used")
        return self._accounts

    async def sign_in(self, name: str, password: str, address: str) -> str:
        """Open a session and return its id, which is new each time.

        Raises ``TooManyAttempts`` without looking at the password, or ``WrongPassword``.
        """
        keys = (f"name {' '.join(name.split()).casefold()[:100]}", f"address {address}")
        self._delay(keys)
        async with self._hashing:
            found = await asyncio.to_thread(self.accounts.verify, name, password)
        if found is None:
            raise WrongPassword
        self._limiter.succeed(keys)
        return self._open(found)

    def _delay(self, keys: tuple[str, ...]) -> None:
        now = self._clock.monotonic()
        if wait := self._limiter.wait(keys, now):
            raise TooManyAttempts(wait, first=self._limiter.report_due(keys))
        self._limiter.begin(keys, now)

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
        """Return the session of an id, or ``None`` when there is none or it has expired.

        ``used`` is false for a page that refreshes itself: it does not extend the session.
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
        if used and abs(now - before) >= MINUTE:  # not with each request: a page asks often
            with self.accounts.transaction() as db:
                db.execute("UPDATE sessions SET used = ? WHERE digest = ?", (now, digest))
        return Session(name=name, role=Role(role), csrf=csrf, digest=digest)

    def end(self, digest: bytes) -> None:
        with self.accounts.transaction() as db:
            db.execute("DELETE FROM sessions WHERE digest = ?", (digest,))

    async def change_password(self, session: Session, old: str, new: str, address: str) -> None:
        """Change the password of a signed-in person, which ends all their sessions.

        Raises ``WrongPassword``, ``TooManyAttempts``, or ``UsageError``.
        """
        keys = (f"name {session.name.casefold()}", f"address {address}")
        self._delay(keys)
        async with self._hashing:
            if await asyncio.to_thread(self.accounts.verify, session.name, old) is None:
                raise WrongPassword
            self._limiter.succeed(keys)
            await asyncio.to_thread(self.accounts.set_password, session.name, new,
                                    self._clock.now())

    # -- without an account ----------------------------------------------------------------------

    def check_token(self, given: bytes, token: str, address: str) -> bool:
        """Whether ``given`` is the site file's token. Raises ``TooManyAttempts``."""
        keys = (f"token {address}",)
        self._delay(keys)
        # Compared in constant time, so that the reply's delay reveals nothing of the token.
        right = hmac.compare_digest(given, token.encode())
        if right:
            self._limiter.succeed(keys)
        return right

    def mark(self, visitor: str) -> str:
        """Return the token that a form of a visitor without a session must send back."""
        return hmac.new(self._secret, visitor.encode(), hashlib.sha256).hexdigest()


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()
