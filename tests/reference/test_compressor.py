"""Section F: tank and compressor."""

import pytest

from collector.physics.pumpup import pump_up_time

PSI = 6894.757293168
CUBIC_FOOT = 0.028316846592
CFM = CUBIC_FOOT / 60


def test_receiver_of_a_worksheet():
    # An engineer's worksheet: 5 min, 350 out, 250 in, 100 to 60 psig: 183.75 ft3, 1374.5 gal,
    # 5.20 m3. Read.
    for v, known in ((183.75 * CUBIC_FOOT, 1e-9), (1374.5 * 3.785411784e-3, 1e-4), (5.20, 1e-3)):
        t = pump_up_time(v, 60 * PSI, 100 * PSI, 14.7 * PSI, 350 * CFM, 250 * CFM)
        assert t == pytest.approx(300, rel=known)


def test_free_air_delivery_of_a_guide_book():
    # BEE (India): (7.03 - 0.5) 8.287 / (1.026 x 4.021) = 13.12 m3/min. From memory.
    unit = 98_066.5
    t = pump_up_time(8.287, 0.5 * unit, 7.03 * unit, 1.026 * unit, 13.12 / 60)
    assert t / 60 == pytest.approx(4.021, abs=0.002)


@pytest.mark.parametrize(
    ("minutes", "tank_gal", "p1", "p2", "scfm"),
    [(8, 60, 60, 80, 1.36), (6, 60, 0, 80, 7.28)],
)
def test_common_practice_limits_by_hand(minutes, tank_gal, p1, p2, scfm):
    # Common practice (no source): 60 to 80 psi in 8 min on nitrogen, up to 80 psi in 6 min on
    # air. The flow they mean for a 60 gal tank is computed: V dp/p_a/t.
    v = tank_gal * 3.785411784e-3
    t = pump_up_time(v, p1 * PSI, p2 * PSI, 14.7 * PSI, scfm * CFM)
    assert t / 60 == pytest.approx(minutes, rel=0.005)
