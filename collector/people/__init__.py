"""Accounts with their roles, sessions, and the limit on failed attempts."""

from collector.people.accounts import PEOPLE, Accounts, AccountsError, Person, Role
from collector.people.sessions import (
    AttemptLimiter,
    Session,
    SessionManager,
    TooManyAttempts,
    WrongPassword,
)

__all__ = [
    "PEOPLE", "Accounts", "AccountsError", "AttemptLimiter", "Person", "Role", "Session",
    "SessionManager", "TooManyAttempts", "WrongPassword",
]
