"""A bad line among good ones is found; the good ones arrive; a broken server is not a bad line."""

from __future__ import annotations

import pytest

from collector.domain.errors import DeliveryRefused, DeliveryUnreachable, LinesRefused
from collector.forward.influx.endpoints import Busy, ServerFault, deliver, error_of, refused_count


class Server:
    """Keeps whole requests that hold no bad line, or the good lines of any (``partial``)."""

    def __init__(self, bad: set[str], *, partial: bool = False, error=None) -> None:
        self.bad, self.partial = bad, partial
        self.error = error or (lambda: LinesRefused(
            "partial write: field type conflict dropped=1" if partial else "unable to parse",
            rest_taken=partial))
        self.kept: list[str] = []
        self.requests = 0

    async def write(self, lines) -> None:
        self.requests += 1
        wrong = self.bad & set(lines)
        if not wrong or self.partial:
            self.kept += [line for line in lines if line not in self.bad]
        if wrong:
            raise self.error()


LINES = [str(n) for n in range(5000)]


@pytest.mark.parametrize("bad", [set(), {"0"}, {"4999"}, {"17", "18", "3000"}])
async def test_the_bad_are_found_and_the_good_arrive(bad):
    server = Server(bad)
    outcome = await deliver(server.write, LINES)
    assert {a.line for a in outcome.dead_letters} == bad
    assert outcome.accepted == 5000 - len(bad)
    assert server.kept == [line for line in LINES if line not in bad]
    assert server.requests <= 1 + len(bad) * 2 * 13  # 2^13 > 5000


async def test_where_everything_is_bad_the_search_ends():
    server = Server(set(LINES), partial=True)
    outcome = await deliver(server.write, LINES)
    assert len(outcome.dead_letters) == 5000
    assert server.requests < 250


async def test_what_is_too_old_is_counted_and_not_searched():
    text = "partial write: points beyond retention policy dropped=4990"
    error = error_of(400, {}, f'{{"error":"{text}"}}')
    assert isinstance(error, LinesRefused)
    server = Server(set(LINES[:4990]), partial=True, error=lambda: error)
    outcome = await deliver(server.write, LINES)
    assert (outcome.too_old, outcome.accepted, outcome.dead_letters) == (4990, 10, ())
    assert server.requests == 1
    assert refused_count("no number", 7) == 7


async def test_a_server_that_breaks_on_a_line_is_asked_line_by_line_once_it_is_doubted():
    server = Server({"40"}, error=lambda: ServerFault("HTTP 500"))
    with pytest.raises(DeliveryUnreachable):
        await deliver(server.write, LINES[:100])
    outcome = await deliver(server.write, LINES[:100], doubted=True)
    assert [a.line for a in outcome.dead_letters] == ["40"]
    assert len(server.kept) == 99


@pytest.mark.parametrize("count", [1, 2, 64])
async def test_a_server_that_takes_nothing_is_broken_and_nothing_is_set_aside(count):
    server = Server(set(LINES), error=lambda: ServerFault("HTTP 500"))
    with pytest.raises(ServerFault):
        await deliver(server.write, LINES[:count], doubted=True)


@pytest.mark.parametrize(("status", "kind", "words"), [
    (400, LinesRefused, "HTTP 400: no"), (413, LinesRefused, "HTTP 413"),
    (422, LinesRefused, "HTTP 422"), (401, DeliveryRefused, "is the token"),
    (403, DeliveryRefused, "is the token"), (404, DeliveryRefused, "such a database"),
    (302, DeliveryRefused, "HTTP 302"), (500, ServerFault, "HTTP 500"),
    (503, DeliveryUnreachable, "HTTP 503"), (429, DeliveryUnreachable, "HTTP 429"),
])
def test_what_an_answer_means(status, kind, words):
    error = error_of(status, {}, '{"message":"no"}')
    assert type(error) is kind
    assert words in str(error)


def test_a_server_may_say_when():
    error = error_of(503, {"Retry-After": "30"}, "")
    assert isinstance(error, Busy)
    assert error.after == 30_000
