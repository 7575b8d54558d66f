"""The ledger of what was told: every commit once, whatever the order of cuts and fillings."""

from hypothesis import given
from hypothesis import strategies as st

from collector.forward import PublishCheckpoint


@given(st.lists(st.tuples(st.sampled_from(["commit", "live", "cut", "fill", "restart"]),
                          st.integers(1, 5)), max_size=60))
def test_every_commit_is_told_once_and_the_cursor_never_passes_one_untold(
    steps: list[tuple[str, int]],
) -> None:
    head, ledger, told = 0, PublishCheckpoint(0), []
    for step, count in steps:
        if step == "commit":
            head += count
        elif step == "live":
            upto = min(ledger.live + count, head)
            told += range(ledger.live + 1, upto + 1)
            ledger.published(upto)
        elif step == "cut":
            ledger.skip_to(head)
        elif step == "fill" and ledger.gaps:
            after, end = ledger.gaps[0]
            told += range(after + 1, min(after + count, end) + 1)
            ledger.gap_filled(after + count)
        elif step == "restart":
            ledger = PublishCheckpoint.load(ledger.dump(), 0)
        assert set(range(1, ledger.watermark + 1)) <= set(told)
    while ledger.gaps:
        after, end = ledger.gaps[0]
        told += range(after + 1, end + 1)
        ledger.gap_filled(end)
    assert sorted(told) == list(range(1, ledger.live + 1))
    assert ledger.behind == 0


def test_without_a_ledger_everything_after_the_cursor_is_untold() -> None:
    ledger = PublishCheckpoint.load(None, 7)
    ledger.skip_to(9)
    assert (ledger.watermark, ledger.behind) == (7, 2)
