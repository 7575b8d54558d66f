"""A clock that is set back: what is shown is what was read last."""

from __future__ import annotations

from collector.domain.live import LivePicture
from collector.domain.readings import Quality, Reading
from tests.rules.support import MINUTE, SECOND, T0


def at(time: int, value: float | None, quality: Quality = Quality.GOOD) -> Reading:
    return Reading(point="r1.pressure", asked=time, time=time, value=value, quality=quality)


def test_the_value_read_last_is_shown_at_once() -> None:
    picture = LivePicture()
    picture.update([at(T0, 25.0), at(T0 + SECOND, 25.0)])
    picture.update([at(T0 - 10 * MINUTE, 12.0)])
    state = picture.get("r1.pressure")
    assert state is not None
    assert (state.last.value, state.last_good, state.same_since) \
        == (12.0, state.last, T0 - 10 * MINUTE)


def test_a_device_that_falls_silent_then_does_not_keep_its_good_value() -> None:
    picture = LivePicture()
    picture.update([at(T0, 25.0)])
    picture.update([at(T0 - 10 * MINUTE, None, Quality.STALE)])
    state = picture.get("r1.pressure")
    assert state is not None
    assert state.last.quality is Quality.STALE
    assert state.last_good is not None
    assert state.last_good.value == 25.0
