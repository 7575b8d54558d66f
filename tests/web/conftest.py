"""A fake site and a client that talks to its board without a socket."""

from __future__ import annotations

from collections.abc import AsyncIterator

import httpx
import pytest

from collector.web import create_app
from tests.web.fakes import FakeSite


@pytest.fixture
def site() -> FakeSite:
    return FakeSite()


@pytest.fixture
async def client(site: FakeSite) -> AsyncIterator[httpx.AsyncClient]:
    transport = httpx.ASGITransport(app=create_app(site.services()))
    async with httpx.AsyncClient(transport=transport, base_url="http://board.test") as client:
        yield client
