r"""What the oxygen readings of a purge say: time constant, time to target, or why there is none.

References
----------
[1] KOSHA Guide C-C-85-2026, inert-gas purging, equation 12: the sweep of a well-mixed volume.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from collector.physics._checks import fraction, non_negative
from collector.physics.decay import MIN_SAMPLES, Decay, fit_decay
from collector.physics.distributions import two_sided_factor
from collector.physics.estimate import Estimate, Refusal
from collector.physics.purge import sweep_volumes
from collector.physics.regression import fit_line

__all__ = ["PurgeFit", "fit_purge", "purge_completion"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeFit:
    """A purge as its readings show it.

    ``time_constant`` in s; ``remaining`` time from the last sample to the target in s (0 when it
    is reached); ``now`` the fitted oxygen fraction at the last sample; ``completion`` 0..1 of the
    volume changes needed; ``decay`` the fit beneath.
    """

    time_constant: Estimate
    remaining: Estimate
    now: float
    completion: float
    decay: Decay


def fit_purge(
    times_s: Sequence[float],
    oxygen: Sequence[float],
    target: float,
    feed: float,
    *,
    feed_deviation: float = 0.0,
    initial: float | None = None,
    widest: float = 0.4,
) -> PurgeFit | Refusal:
    r"""Time constant and time to target of a sweep from its oxygen readings.

    .. math:: x(t) = x_{in} + (x_0 - x_{in}) e^{-t/\tau}, \qquad
        t_{rest} = \tau \ln\frac{x - x_{in}}{x_t - x_{in}}

    The feed (the product's oxygen) must be known: while the fall is still straight, the readings
    cannot tell a fast fall to a high level from a slow one to a low level. Pipe is not one
    well-mixed volume, so the later half is fitted by itself as well; it is the one that
    extrapolates when the two disagree, and their difference widens the interval.

    Parameters
    ----------
    times_s : times, s, rising; at least 12 samples.
    oxygen : oxygen fractions.
    target, feed : fractions wanted and supplied.
    feed_deviation : standard deviation of the feed's fraction.
    initial : oxygen fraction when the purge began, for the completion; by default the fitted
        value at the first sample.
    widest : largest half-width of the 90 % interval of the time constant, as a share of it.

    Returns
    -------
    The purge, or a refusal: those of :func:`collector.physics.decay.fit_decay`, ``stalled`` (it
    fell, and no longer does), ``not-one-rate`` (the end falls much slower or faster than one
    exponential), ``never`` (the feed cannot reach the target).

    Raises
    ------
    ValueError
        A target or feed outside 0..1, a negative deviation, unequal lengths, times that do not
        rise.

    Examples
    --------
    [1], Annex 3: 28 m3 fed at 1 m3/min with 0.01 % oxygen, read every minute for a third of the
    79.2 min that 1.25 % takes; the rest is 52.8 min:

    >>> from collector.physics.purge import sweep_oxygen
    >>> times = [60.0 * i for i in range(27)]
    >>> readings = [sweep_oxygen(0.21, t, 28 * 60, 0.0001) for t in times]
    >>> round((times[-1] + fit_purge(times, readings, 0.0125, 0.0001).remaining.value) / 60, 1)
    79.2
    """
    fraction("target", target)
    fraction("feed", feed)
    non_negative("feed_deviation", feed_deviation)
    if feed >= target:
        return Refusal(
            code="never",
            reason=f"the product holds {100 * feed:.2g} % oxygen; the target of "
            f"{100 * target:.2g} % is not below it",
        )
    whole = fit_decay(times_s, oxygen, floor=feed, widest=widest)
    broken = _end_disagrees(times_s, oxygen, feed, whole)
    if broken is not None and oxygen[-1] > target:
        return broken
    if isinstance(whole, Refusal):
        return whole
    middle = len(times_s) // 2
    late = fit_decay(times_s[middle:], oxygen[middle:], floor=feed, widest=widest)
    chosen, unsettled = _choose(whole, late)
    now = chosen.at(times_s[-1])
    remaining = _remaining(chosen, times_s[-1], target)
    # The rate changed by this share over a quarter of the span, from the middle of the whole to
    # the middle of its later half. At that pace it goes on changing until the middle of what
    # remains; that is taken for the half-width of a 90 % interval.
    unsettled *= (1.0 + 2.0 * remaining.value / whole.span) / two_sided_factor(0.90)
    remaining = remaining.plus(Estimate(value=0.0, deviation=remaining.value * unsettled))
    if feed_deviation > 0:
        moved = _moved_by_feed(times_s, oxygen, target, feed, feed_deviation)
        remaining = remaining.plus(Estimate(value=0.0, deviation=moved))
    tau = chosen.time_constant
    doubt = Estimate(
        value=tau,
        deviation=tau * chosen.rate.deviation / chosen.rate.value,
        freedom=chosen.rate.freedom,
    )
    began = max(whole.at(times_s[0]), target) if initial is None else initial
    return PurgeFit(
        time_constant=doubt.plus(Estimate(value=0.0, deviation=tau * unsettled)),
        remaining=remaining,
        now=now,
        completion=purge_completion(began, now, target, feed) if began > target else 1.0,
        decay=chosen,
    )


def purge_completion(initial: float, now: float, target: float, feed: float = 0.0) -> float:
    r"""Share of a sweep that is done, counted in volume changes and so in time.

    .. math:: \frac{\ln\left((x_0 - x_{in})/(x - x_{in})\right)}
        {\ln\left((x_0 - x_{in})/(x_t - x_{in})\right)}

    Parameters
    ----------
    initial, now, target, feed : oxygen fractions at the start, now, wanted, and of the product.

    Returns
    -------
    0 to 1; 0 while the oxygen is above where it began, 1 at or below the target.

    Raises
    ------
    ValueError
        A value outside 0..1, a target not below the start, or a feed not below the target.

    Examples
    --------
    [1], Annex 3: of the 79.2 m3 that bring 28 m3 from 21 % to 1.25 %, half have gone through.

    >>> from collector.physics.purge import sweep_oxygen
    >>> now = sweep_oxygen(0.21, 79.2 / 2, 28.0, 0.0001)
    >>> round(purge_completion(0.21, now, 0.0125, 0.0001), 3)
    0.5
    """
    whole = sweep_volumes(initial, target, feed)
    if whole <= 0:
        raise ValueError(f"the target {target!r} must be below the start {initial!r}")
    if now <= target:
        return 1.0
    return max(0.0, sweep_volumes(initial, fraction("now", now), feed)) / whole


def _choose(whole: Decay, late: Decay | Refusal) -> tuple[Decay, float]:
    """Take the fit that extrapolates, and the share by which its rate may still change."""
    if isinstance(late, Refusal):
        return whole, 0.0
    apart = abs(late.rate.value - whole.rate.value)
    if apart <= 2.5 * late.rate.deviation:
        return whole, 0.0
    return late, apart / late.rate.value


def _remaining(decay: Decay, end: float, target: float) -> Estimate:
    """Time from ``end`` to the target; 0 when the curve is there already."""
    if decay.at(end) <= target:
        return Estimate(value=0.0, deviation=0.0)
    whole = decay.time_to(target)
    return Estimate(
        value=whole.value - (end - decay.start), deviation=whole.deviation, freedom=whole.freedom
    )


def _moved_by_feed(
    times_s: Sequence[float], oxygen: Sequence[float], target: float, feed: float, by: float
) -> float:
    """How far the time to target moves when the feed is lower by one deviation."""
    ends = []
    for floor in (feed, max(0.0, feed - by)):
        decay = fit_decay(times_s, oxygen, floor=floor, widest=1e9)
        if isinstance(decay, Refusal):
            return 0.0  # the whole fit would have been refused before; a lower floor falls slower
        ends.append(_remaining(decay, times_s[-1], target).value)
    return abs(ends[1] - ends[0])


def _end_disagrees(
    times_s: Sequence[float], oxygen: Sequence[float], feed: float, whole: Decay | Refusal
) -> Refusal | None:
    """Compare the slope of the last third with the one that the fall so far says it must have."""
    count = len(times_s)
    if count < MIN_SAMPLES:
        return None
    times, values = times_s[(2 * count) // 3 :], oxygen[(2 * count) // 3 :]
    if len(times) < 4:
        return None
    # A stall spoils the fit of the whole; the first third still shows what the rate was.
    first = whole if isinstance(whole, Decay) else _first_third(times_s, oxygen, feed)
    if isinstance(first, Refusal):
        return None
    last = fit_decay(times, values, floor=feed, widest=1e9)
    if isinstance(last, Decay):
        low, high = last.rate.interval(0.95)
        if low > 2.5 * first.rate.value:
            return _other_rate("faster")
        return _other_rate("slower") if high < 0.4 * first.rate.value else None
    line = fit_line(times, values)
    due = -first.rate.value * max(line.middle.value - feed, 0.0)
    low, _ = line.slope.interval(0.95)
    if low > 0.4 * due:
        return Refusal(code="stalled", reason="the oxygen fell before and no longer does")
    return None


def _first_third(times_s: Sequence[float], oxygen: Sequence[float], feed: float) -> Decay | Refusal:
    cut = max(MIN_SAMPLES, len(times_s) // 3)
    return fit_decay(times_s[:cut], oxygen[:cut], floor=feed)


def _other_rate(how: str) -> Refusal:
    return Refusal(
        code="not-one-rate",
        reason=f"the end falls much {how} than the rest: flow, supply or volume changed",
    )
