"""The HTTP interface by its own description: generated requests, right and wrong, for every path.

Values come from the description's schemas, or are probes. Each request is answered with a status
that the description names, below 500, and an error is one sentence.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Iterator, Mapping
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from fastapi import FastAPI
from hypothesis import HealthCheck, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from collector.web import create_app
from tests.web.conftest import client_of
from tests.web.fakes import TOKEN, FakeSite, accounts

LONG = int(os.environ.get("QUIETPIPE_FUZZ", "100000"))
PROBES = ["", " ", "\x00", "-1", "1e999", "nan", "9" * 400, "../../etc/passwd", "é", "\u2028",
          "2026-03-01T00:00:00Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59+14:00", "1_0",
          "gen1.tank_pressure", "%00", "{{7*7}}", "'; DROP TABLE events; --", "5 min", "0 s",
          "1" * 30 + " d", "<script>", "r1", "gen1", "compressor-long-run.gen1.1784447590", "4 h"]
PROBE = st.sampled_from(PROBES) | st.text(st.characters(codec="utf-8"), max_size=30)


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    people = accounts(tmp_path_factory.mktemp("people"))
    yield create_app(FakeSite(accounts=people).services())
    people.close()


def operations(app: FastAPI) -> list[tuple[str, str, Mapping[str, Any]]]:
    return [(method, path, said) for path, methods in app.openapi()["paths"].items()
            for method, said in methods.items()]


def of_schema(schema: Mapping[str, Any]) -> st.SearchStrategy[Any]:
    """Values that fit a schema of the description, and some that do not."""
    kinds = [s.get("type") for s in schema.get("anyOf", [schema])]
    return st.one_of(*({"string": PROBE, "number": st.floats() | st.integers(), "null": st.none(),
                        "integer": st.integers()}.get(str(k), PROBE) for k in kinds),
                     st.none() | st.booleans() | st.integers() | PROBE | st.lists(PROBE, max_size=2)
                     | st.dictionaries(PROBE, PROBE, max_size=2))


@st.composite
def requests(draw: st.DrawFn, all_of: list[tuple[str, str, Mapping[str, Any]]]) -> dict[str, Any]:
    method, path, said = draw(st.sampled_from(all_of))
    query = {}
    for parameter in said.get("parameters", ()):
        if parameter["in"] == "path":
            path = path.replace(f"{{{parameter['name']}}}", quote(draw(PROBE), safe=""))
        elif draw(st.booleans()):
            query[parameter["name"]] = draw(PROBE)
    made: dict[str, Any] = {"method": method.upper(), "url": path, "params": query}
    body = said.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema")
    kind = draw(st.integers(0, 3))
    if body is not None and kind:
        made["json"] = {name: draw(of_schema(schema)) for name, schema in
                        body["properties"].items() if draw(st.integers(0, 4))}
        if any(isinstance(v, float) and v - v != 0 for v in made["json"].values()):
            made["content"] = str(made.pop("json")).encode()  # NaN is no JSON
    elif body is not None:
        made["content"] = draw(st.binary(max_size=60) | st.sampled_from(
            [b"[" * 50_000, b'{"by":' * 9000, b"null", b"[]", b'"x"', b"1e999", b"\xff\xfe",
             b'{"by":"\\ud800","why":"x"}', b'{"by":NaN}']))
    return made


async def asked(app: FastAPI, request: dict[str, Any]) -> httpx.Response:
    async with client_of(app) as client:
        return await client.request(**request, headers={
            "authorization": b"Bearer " + TOKEN.encode(), "content-type": "application/json"})


def check(app: FastAPI, request: dict[str, Any]) -> None:
    answer = asyncio.run(asked(app, request))
    assert answer.status_code < 500, answer.text
    if answer.status_code >= 400:
        assert set(answer.json()) == {"error"}
        assert "Traceback" not in answer.text


def test_the_description_names_every_operation(app: FastAPI) -> None:
    names = {f"{method.upper()} {path}" for method, path, _ in operations(app)}
    assert {"GET /api/v1/status", "GET /api/v1/series", "GET /healthz"} <= names
    assert len(names) >= 20


def generated(app: FastAPI, count: int) -> None:
    def one(request: dict[str, Any]) -> None:
        check(app, request)

    examples(max_examples=count, deadline=None, suppress_health_check=list(HealthCheck),
             derandomize=count < 1000)(given(requests(operations(app)))(one))()


def test_generated_requests_are_answered_by_name(app: FastAPI) -> None:
    generated(app, 250)


@pytest.mark.long
@pytest.mark.timeout(36_000)
def test_generated_requests_are_answered_by_name_many_times(app: FastAPI) -> None:
    generated(app, LONG)
