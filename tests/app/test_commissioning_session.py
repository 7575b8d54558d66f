"""A commissioning led from the board: each question waits for a page, and nothing is lost."""

import threading

from collector.app.commissioning_session import CommissioningSession
from collector.clock import SystemClock
from collector.commissioning.commissioning import state_path
from collector.config.field_types import parse_address
from simulators.unknown_maps import draw_controller
from tests.commissioning.outcomes import ranges_of
from tests.commissioning.technician import served
from tests.integration.support import until


def session_at(path, polled=()):
    return CommissioningSession(path, SystemClock(),
                                lambda: frozenset(map(parse_address, polled)))


def test_it_asks_answers_leaves_and_goes_on(tmp_path):
    session = session_at(tmp_path / "site.toml")
    assert session.view().state == "stopped"
    session.start()
    assert session.view().question == "Name of the site"
    session.answer("Name of the site", "Fenmoor")
    session.answer("Name of the site", "sent twice by mistake")
    assert session.view().question.startswith("Time zone")
    session.leave()
    assert session.view().state == "stopped"
    assert state_path(tmp_path / "site.toml").exists()
    session.start()
    assert session.view().question.startswith("Time zone")
    assert "sent twice" not in state_path(tmp_path / "site.toml").read_text()
    session.leave()
    for thread in threading.enumerate():
        if thread.name == "commissioning-board":
            thread.join(10)
            assert not thread.is_alive()


def test_a_line_that_the_monitor_polls_is_not_searched(tmp_path):
    site = tmp_path / "site.toml"
    site.write_text('[site]\nid = "fenmoor"\ntimezone = "UTC"\n[[generators]]\nid = "gen1"\n')
    session = session_at(site, ["tcp://127.0.0.1:5020"])
    session.start()
    for answer in ("y", "network", "127.0.0.1:5020"):
        answer_when_asked(session, answer)
    view = until(lambda: v if (v := session.view()).question else None, within=10, what="another")
    assert any("The monitor polls that line" in line for line in view.lines)
    assert view.question.startswith("Its address")
    session.answer(view.question, "127.0.0.1:5021")
    assert session.view().question.startswith("Unit numbers")
    session.leave()


def test_a_site_file_with_mistakes_ends_it_with_a_sentence(tmp_path):
    site = tmp_path / "site.toml"
    site.write_text("[site]\n")
    session = session_at(site)
    session.start()
    assert session.view().state == "stopped"
    assert any("Ended:" in line for line in session.view().lines)


def test_the_page_shows_the_registers_live_and_marks_what_moved(tmp_path):
    controller = draw_controller(0)
    site = tmp_path / "site.toml"
    site.write_text('[site]\nid = "fenmoor"\ntimezone = "UTC"\n[[generators]]\nid = "gen1"\n')
    with served(controller) as (where, clock, _):
        session = CommissioningSession(site, clock, lambda: frozenset())
        session.start()
        for answer in ("y", "network", where.partition("://")[2], str(controller.unit),
                       ranges_of(controller), "gen1", "y"):
            answer_when_asked(session, answer)
        until(lambda: session.view().head, within=20, what="registers")
        tank = controller.truth()["gen1.tank_pressure"][0]
        name = f"input {tank.address}"

        def row():
            return next(r for r in session.view().rows if r[1] == name)
        first = row()
        moved = until(lambda: row() if row() != first else None, within=20, what="a new number")
        assert int(moved[2], 16) == int(moved[3])
        assert moved[0] == "*"
        assert {r[0] for r in session.view().rows if "stuck" in names_at(controller, r[1])} == {""}
        shown = [r[1] for r in session.view().rows]
        answer_when_asked(session, "+")  # a terminal shows a long list in parts
        turned = until(lambda: [r[1] for r in session.view().rows] or None, within=20, what="rows")
        assert turned == shown[16:] + shown[:16]
        answer_when_asked(session, "")
        until(lambda: not session.view().head, within=20, what="the end of the look")
        session.leave()
        until(lambda: session.view().state == "stopped", within=20, what="the end")


def test_the_dialogue_keeps_answers_but_no_secrets(tmp_path):
    session = session_at(tmp_path / "site.toml")
    session.start()
    for answer in ("Fenmoor", "UTC", "us", "0 ft", "0", "0", "0", "Ann", "mail.example.org",
                   "watch", "hunter-two", "sms://key-of-hers@host/5550100"):
        answer_when_asked(session, answer)
    until(lambda: session.view().question.startswith("Who else"), within=10, what="the next")
    shown = "\n".join(session.view().lines)
    assert "Name of the site: Fenmoor" in shown
    assert "hunter-two" not in shown
    assert "key-of-hers" not in shown
    session.leave()


def answer_when_asked(session, text):
    question = until(lambda: session.view().question, within=30, what="a question")
    session.answer(question, text)


def names_at(controller, shown):
    return [c.name for c in controller.cells
            if c.table == "input-registers" and shown == f"input {c.address}"]
