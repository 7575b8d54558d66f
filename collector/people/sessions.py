"""Sessions: sign-in, expiry, sign-out, and the devices that a person has signed in on.

The clock is the machine's own, which a demo does not speed up.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from dataclasses import dataclass, field

from collector.clock import Clock
from collector.domain.errors import QuietpipeError
from collector.domain.units import DAY, HOUR, MINUTE
from collector.people import Accounts, AccountsError, Role
from collector.people.attempts import Attempt, AttemptLimiter, Held, SignInLimiter, network_of

IDLE = 12 * HOUR
"""ms without a request after which a session ends: a shift."""
LONGEST = 7 * DAY
"""ms after which a session ends in any case."""
_LONG_TOKEN = 16
"""Characters from which guessing a token is hopeless at any rate."""
_TOKEN_ADDRESSES = 1000
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
        self._limiter = SignInLimiter()
        self._tokens, self._token_known = AttemptLimiter(), set[str]()
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

    async def sign_in(self, name: str, password: str, address: str, device: str = "") -> str:
        """Open a session and return its id, which is new each time.

        ``device`` is what :meth:`device_mark` gave this browser at an earlier sign-in. Raises
        ``TooManyAttempts`` without looking at the password, or ``WrongPassword``.
        """
        attempt = self._begin(name, address, self._known_device(name, device))
        async with self._hashing:
            try:
                found = await asyncio.to_thread(self.accounts.verify, name, password)
            except AccountsError:
                self._limiter.take_back(attempt)
                raise
        if found is None:
            raise WrongPassword
        self._limiter.succeed(attempt)
        return self._open(found)

    def _begin(self, name: str, address: str, device: str) -> Attempt:
        try:
            return self._limiter.begin(name, address, device, self._clock.monotonic())
        except Held as held:
            raise TooManyAttempts(held.wait, first=held.first) from None

    def device_mark(self, name: str) -> str:
        """Return a mark by which the browser of a person who signed in is known again.

        It opens nothing. Another password, or the end of the account, makes it void.
        """
        device = secrets.token_urlsafe(16)
        return f"{device}.{self._device_mac(name, device)}"

    def _device_mac(self, name: str, device: str) -> str:
        key = self.accounts.device_key(name)
        return hmac.new(key, f"device {device}".encode(), hashlib.sha256).hexdigest() if key else ""

    def _known_device(self, name: str, mark: str) -> str:
        device, _, mac = mark.partition(".")
        right = self._device_mac(name, device) if mac.isascii() and len(mark) < 200 else ""
        return device if right and hmac.compare_digest(mac, right) else ""

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

    async def change_password(self, session: Session, old: str, new: str) -> None:
        """Change the password of a signed-in person, which ends all their sessions.

        Raises ``WrongPassword``, ``TooManyAttempts``, or ``UsageError``.
        """
        attempt = self._begin(session.name, "", session.digest.hex())
        async with self._hashing:
            if await asyncio.to_thread(self.accounts.verify, session.name, old) is None:
                raise WrongPassword
            self._limiter.succeed(attempt)
            await asyncio.to_thread(self.accounts.set_password, session.name, new,
                                    self._clock.now())

    # -- without an account ----------------------------------------------------------------------

    def check_token(self, given: bytes, token: str, address: str) -> bool:
        """Whether ``given`` is the site file's token. Raises ``TooManyAttempts``.

        Where a long token was right before, wrong ones from the same address do not delay it.
        """
        key, now = network_of(address), self._clock.monotonic()
        # Compared in constant time, so that the reply's delay reveals nothing of the token.
        right = hmac.compare_digest(given, token.encode())
        if not (right and key in self._token_known):
            if wait := self._tokens.wait((key,), now):
                raise TooManyAttempts(wait, first=self._tokens.report_due((key,)))
            if not right:
                self._tokens.begin((key,), now)
            else:
                self._tokens.succeed((key,))
        if right and len(token) >= _LONG_TOKEN and len(self._token_known) < _TOKEN_ADDRESSES:
            self._token_known.add(key)
        return right

    def mark(self, visitor: str) -> str:
        """Return the token that a form of a visitor without a session must send back."""
        return hmac.new(self._secret, visitor.encode(), hashlib.sha256).hexdigest()


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()
