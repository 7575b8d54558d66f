"""The board of a fake site, as the board's own tests have it."""

from tests.web.conftest import app, site

__all__ = ["app", "site"]
