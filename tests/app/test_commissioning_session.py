"""A commissioning led from the board: each question waits for a page, and nothing is lost."""

import threading

from collector.app.commissioning_session import CommissioningSession
from collector.clock import SystemClock
from collector.commissioning.commissioning import state_path
from collector.config.field_types import parse_address


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
    assert session.view().question.startswith("Short name for files")
    session.leave()
    assert session.view().state == "stopped"
    assert state_path(tmp_path / "site.toml").exists()
    session.start()
    assert session.view().question.startswith("Short name for files")
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
    session.answer(session.view().question, "y")
    session.answer(session.view().question, "network")
    session.answer(session.view().question, "127.0.0.1:5020")
    view = session.view()
    assert any("The monitor polls that line" in line for line in view.lines)
    assert view.question.startswith("Its address")
    session.answer(view.question, "127.0.0.1:5021")
    assert session.view().question.startswith("Units")
    session.leave()


def test_a_site_file_with_mistakes_ends_it_with_a_sentence(tmp_path):
    site = tmp_path / "site.toml"
    site.write_text("[site]\n")
    session = session_at(site)
    session.start()
    assert session.view().state == "stopped"
    assert any("Ended:" in line for line in session.view().lines)
