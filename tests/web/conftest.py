"""A fake site, and clients that talk to its board without a socket, signed in or not."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import AsyncExitStack
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI

from collector.web import create_app
from tests.web.fakes import PASSWORD, FakeSite, accounts

Signed = Callable[[str], Awaitable[httpx.AsyncClient]]


@pytest.fixture
def site(tmp_path: Path) -> Iterator[FakeSite]:
    people = accounts(tmp_path)
    yield FakeSite(accounts=people)
    people.close()


@pytest.fixture
def app(site: FakeSite) -> FastAPI:
    return create_app(site.services())


def client_of(
    app: FastAPI, address: str = "203.0.113.7", base: str = "http://board.test",
) -> httpx.AsyncClient:
    transport = httpx.ASGITransport(app=app, client=(address, 40_000))
    return httpx.AsyncClient(transport=transport, base_url=base)


@pytest.fixture
async def client(app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    async with client_of(app) as client:
        yield client


def mark_in(page: str, name: str = "csrf") -> str:
    found = re.search(rf'name="{name}" value="([^"]+)"', page)
    assert found, f"the page has no field {name}"
    return found[1]


async def sign_in(client: httpx.AsyncClient, name: str, password: str = PASSWORD,
                  **fields: str) -> httpx.Response:
    """Do as the form does."""
    form = (await client.get("/sign-in")).text
    return await client.post("/sign-in", data={
        "name": name, "password": password, "mark": mark_in(form, "mark"), **fields})


@pytest.fixture
async def signed(app: FastAPI) -> AsyncIterator[Signed]:
    """Give a client of the board on which the person of that name is signed in."""
    async with AsyncExitStack() as stack:
        async def open_as(name: str) -> httpx.AsyncClient:
            client = await stack.enter_async_context(client_of(app))
            answer = await sign_in(client, name)
            assert answer.status_code == 303, answer.text
            return client
        yield open_as
