"""No delivered message goes out more than twice, whatever moment the process dies in."""

import pytest

from collector.domain.errors import JournalError
from collector.domain.messages import DeliveryOutcome, DeliveryState, NewDelivery
from collector.journal import Journal
from tests.journal.examples import T0, alarm

MESSAGE = NewDelivery(recipient="on-call", subject="Low", body="Low at r1.", event_seq=1, due=T0,
                      kind="raised")


@pytest.fixture
def outbox(journal):
    journal.commit([], [alarm(T0)])
    journal.settle("notify", 1, deliveries=[MESSAGE])
    return journal


def test_cursor_and_message_move_together(outbox):
    (waiting,) = outbox.due_deliveries(T0, 10)
    assert (waiting.recipient, waiting.subject, waiting.body) == ("on-call", "Low", "Low at r1.")
    assert (waiting.created, waiting.due, waiting.attempts, waiting.uncertain) == (T0, T0, 0, False)
    assert outbox.due_deliveries(T0 - 1, 10) == []
    outbox.commit([], [alarm(T0)])
    with pytest.raises(JournalError):
        outbox.settle("notify", 3, deliveries=[
            NewDelivery(recipient="x", subject="", body="", event_seq=2, due=T0, kind="raised")])
    assert outbox.position("notify") == 1
    assert len(outbox.due_deliveries(T0, 10)) == 1


def test_the_same_message_is_not_enqueued_twice(outbox):
    outbox.settle("notify", 1, deliveries=[MESSAGE, MESSAGE])
    assert len(outbox.due_deliveries(T0, 10)) == 1


def test_a_try_that_failed_waits_for_its_time(outbox):
    outbox.begin(1, T0)
    assert outbox.due_deliveries(T0 + 10**9, 10) == []
    outbox.finish(1, DeliveryOutcome.RETRY, T0 + 5, retry_at=T0 + 60, detail="busy")
    assert outbox.due_deliveries(T0 + 59, 10) == []
    (again,) = outbox.due_deliveries(T0 + 60, 10)
    assert (again.attempts, again.detail, again.uncertain) == (1, "busy", False)
    outbox.begin(1, T0 + 60)
    outbox.finish(1, DeliveryOutcome.DELIVERED, T0 + 61)
    assert outbox.due_deliveries(T0 + 10**9, 10) == []
    assert outbox.recover(T0) == []
    assert outbox.statistics().deliveries["delivered"] == 1


def test_only_what_was_begun_ends_and_only_what_waits_begins(outbox):
    with pytest.raises(JournalError, match="not begun"):
        outbox.finish(1, DeliveryOutcome.DELIVERED, T0)
    outbox.begin(1, T0)
    with pytest.raises(JournalError, match="not waiting"):
        outbox.begin(1, T0)
    with pytest.raises(JournalError, match="not waiting"):
        outbox.begin(77, T0)


def test_cut_off_once_it_is_tried_again_cut_off_twice_it_is_closed(outbox, path):
    outbox.begin(1, T0)
    outbox.close()
    with Journal.open(path) as second:
        assert second.recover(T0 + 100) == []
        (again,) = second.due_deliveries(T0 + 100, 10)
        assert again.uncertain
        # A try that surely failed in between changes nothing: the first may still have arrived.
        second.begin(1, T0 + 100)
        second.finish(1, DeliveryOutcome.RETRY, T0 + 101, retry_at=T0 + 102)
        second.begin(1, T0 + 102)
    with Journal.open(path) as third:
        (closed,) = third.recover(T0 + 200)
        assert (closed.id, closed.state) == (1, DeliveryState.UNCERTAIN)
        assert third.due_deliveries(T0 + 10**9, 10) == []
        assert third.recover(T0 + 300) == []
        assert third.statistics().deliveries == {
            "waiting": 0, "begun": 0, "delivered": 0, "given-up": 0, "uncertain": 1,
            "folded": 0}
