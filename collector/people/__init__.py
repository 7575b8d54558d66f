"""Who may do what at the board: accounts, sessions, and how guessing is slowed down."""

from collector.people.accounts import PEOPLE, Accounts, PeopleError, Person
from collector.people.doorkeeper import Doorkeeper, Session, SlowDown, WrongPassword
from collector.people.roles import Role
from collector.people.throttle import Throttle

__all__ = [
    "PEOPLE", "Accounts", "Doorkeeper", "PeopleError", "Person", "Role", "Session", "SlowDown",
    "Throttle", "WrongPassword",
]
