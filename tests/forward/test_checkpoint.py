"""The ledger of what was told: every commit once, whatever the order of cuts and fillings."""

from hypothesis import given
from hypothesis import strategies as st

from collector.forward.checkpoint import Ledger


@given(st.lists(st.tuples(st.sampled_from(["commit", "live", "cut", "fill", "restart"]),
                          st.integers(1, 5)), max_size=60))
def test_every_commit_is_told_once_and_the_cursor_never_passes_one_untold(
    steps: list[tuple[str, int]],
) -> None:
    head, ledger, told = 0, Ledger(0), []
    for step, count in steps:
        if step == "commit":
            head += count
        elif step == "live":
            upto = min(ledger.live + count, head)
            told += range(ledger.live + 1, upto + 1)
            ledger.told(upto)
        elif step == "cut":
            ledger.skip_to(head)
        elif step == "fill" and ledger.holes:
            after, end = ledger.holes[0]
            told += range(after + 1, min(after + count, end) + 1)
            ledger.filled(after + count)
        elif step == "restart":
            ledger = Ledger.load(ledger.dump(), 0)
        assert set(range(1, ledger.settled + 1)) <= set(told)
    while ledger.holes:
        after, end = ledger.holes[0]
        told += range(after + 1, end + 1)
        ledger.filled(end)
    assert sorted(told) == list(range(1, ledger.live + 1))
    assert ledger.behind == 0


def test_without_a_ledger_everything_after_the_cursor_is_untold() -> None:
    ledger = Ledger.load(None, 7)
    ledger.skip_to(9)
    assert (ledger.settled, ledger.behind) == (7, 2)
