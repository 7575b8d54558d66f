"""The outflow of a closed tank by its gas content, held against stories whose truth is written."""

import math
import random

import pytest

from collector.physics.outflow import closed_outflow

STEP, DAY = 300.0, 288


def content(days, leak, *, delivery=0.02, heat=1.5, tau=700.0, noise=0.05, wave=0.0, jumps=0.0,
            band=20.0, seed=1, shut=lambda i: True, drained=()):
    """Return content (psi) and running per five minutes of a tank kept within a band by its runs.

    The gas leaves at ``leak`` psi/s; a gauge that sticks jumps by ``jumps``, a ``wave`` comes and
    goes with the day, and gas is let out at once at the places ``drained``.
    """
    dice = random.Random(seed)
    held, warm, on, stuck, lost, out, ran = 0.0, 0.0, False, 0.0, 0.0, [], []
    for i in range(int(days * DAY)):
        total = running = 0.0
        if i in drained:
            lost += 6.0
        for _ in range(30):
            on = held < 0 or (on and held < band)
            held += ((delivery if on else 0.0) - leak) * 10.0
            warm += ((heat if on else 0.0) - warm) * 10.0 / tau
            total += held - lost + warm
            running += on
        shown = total / 30 + wave * math.sin(2 * math.pi * i / DAY + 1.0)
        stuck = shown if abs(shown - stuck) > jumps else stuck
        out.append((stuck if jumps else shown) + dice.gauss(0.0, noise) if shut(i) else None)
        ran.append(running / 30)
    return out, ran


@pytest.mark.parametrize(("leak", "days"), [(2e-4, 1), (1e-3, 1), (5e-3, 1), (2e-4, 3), (1e-3, 3)])
def test_the_outflow_is_found_whatever_the_runs_do(leak, days):
    found, seen = closed_outflow(*content(days, leak), STEP)
    assert found.value == pytest.approx(leak, rel=0.04)
    assert seen == days * 86_400


def test_a_wave_of_the_day_passes_for_no_outflow_over_three_days():
    found, _ = closed_outflow(*content(3, 4e-4, wave=4.0, noise=0.5), STEP)
    low, high = found.interval()
    assert low < 4e-4 < high
    assert found.value == pytest.approx(4e-4, rel=0.1)


def test_hours_with_an_open_vent_are_left_out():
    found, seen = closed_outflow(*content(1, 1e-3, shut=lambda i: i % 48 > 20), STEP)
    assert found.value == pytest.approx(1e-3, rel=0.05)
    assert seen < 0.6 * 86_400


def test_gas_that_was_drained_at_once_is_no_leak():
    found, _ = closed_outflow(*content(1, 2e-4, drained={130, 131}), STEP)
    assert found.value == pytest.approx(2e-4, rel=0.06)


def test_a_gauge_that_sticks_is_believed_in_both_directions():
    found, _ = closed_outflow(*content(3, 4e-4, jumps=0.8, wave=2.0), STEP)
    assert found.value == pytest.approx(4e-4, rel=0.15)


def test_the_interval_covers_as_often_as_it_says():
    inside = 0
    for seed in range(40):
        found, _ = closed_outflow(*content(1, 5e-4, noise=0.3, seed=seed), STEP)
        low, high = found.interval()
        inside += low < 5e-4 < high
    assert inside >= 34


def test_too_little_or_a_compressor_that_never_rests_gives_no_figure():
    assert closed_outflow([None] * DAY, [0.0] * DAY, STEP) is None
    rising = [0.01 * i for i in range(DAY)]
    assert closed_outflow(rising, [1.0] * DAY, STEP) is None
