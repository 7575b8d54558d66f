"""Stories of the mode: air-fill when it should be nitrogen, and air that calls itself nitrogen."""

from __future__ import annotations

from simulators.plant import Plant
from tests.benchmarks.cases.build import act, generator, hours, minutes, off, plant, riser
from tests.benchmarks.cases.shape import (
    HOUR,
    MINUTE,
    SECOND,
    Case,
    Dev,
    Draw,
    Expect,
    May,
    Never,
    Wire,
    story,
)

CONTROLLER = Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1"),
                 every=10 * SECOND)
LEAKS = (May(condition="leak-high"), May(condition="leak-growing"))


def _small(d: Draw, leak: float = 0.06, units: str = "us") -> dict[str, dict[str, object]]:
    return plant(
        generators=[generator(tank_start=f"{d.between(64, 78):.1f} psi",
                              product_oxygen=f"{d.between(0.5, 1.6):.2f} %",
                              site={"product_oxygen_limit": "3 %"})],
        risers=[riser(volume=f"{d.about(450):.0f} gal", leak=f"{d.about(leak):.3f} scfm")],
        units=units)


def _air_fill(p: Plant) -> bool:
    return p.generators["gen1"].air_fill


@story()
def stuck_in_air_fill(d: Draw) -> Case:
    """The pilot valve sticks: the unit stays in air-fill however full the tank is."""
    at = d.instant(20 * MINUTE, 60 * MINUTE)
    return Case(
        **_small(d, units=d.choice("us", "metric")), devices=(CONTROLLER,), duration=hours(5),
        acts=(act(at, "stuck-air-fill", generator="gen1"),
              off(at + hours(3), "stuck-air-fill", generator="gen1")),
        expects=(Expect(condition="air-fill-stuck", asset="gen1", when=_air_fill,
                        held=minutes(30), within=minutes(5), early=minutes(30)),),
        may=(May(condition="oxygen-rising"),), wire=Wire(lost=0.02),
        never=(Never(condition="air-in-nitrogen-mode", trap="it says air-fill itself"),
               Never(condition="product-oxygen-high", trap="it says air-fill itself")))


@story()
def short_fallback(d: Draw) -> Case:
    """A drain is opened for some minutes: the tank falls back to air-fill and recovers by
    itself."""
    at = d.instant(30 * MINUTE, 60 * MINUTE)
    return Case(
        **_small(d), devices=(CONTROLLER,), duration=hours(5),
        acts=(act(at, "leak-step", riser="r1", flow="3.6 scfm"),
              off(at + minutes(14), "leak-step", riser="r1")),
        may=(*LEAKS, May(condition="compressor-long-run")),
        never=(Never(condition="air-in-nitrogen-mode",
                     trap="the first minutes after a change of mode"),
               Never(condition="product-oxygen-high", trap="warm-up"),
               Never(condition="air-fill-stuck"), Never(condition="air-fill-frequent"),
               Never(condition="pressure-falling-fast")))


@story()
def frequent_fallbacks(d: Draw) -> Case:
    """Seven times in a day something draws more than nitrogen can make up, for a quarter of an
    hour."""
    acts = []
    for n in range(7):
        at = hours(1 + 2.6 * n) + d.instant(0, 20 * MINUTE)
        acts += [act(at, "leak-step", riser="r1", flow="3.6 scfm"),
                 off(at + minutes(18), "leak-step", riser="r1")]
    slow = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
               every=20 * SECOND)
    return Case(
        **_small(d), devices=(slow,), duration=hours(22), acts=tuple(acts), wire=Wire(lost=0.01),
        expects=(Expect(condition="air-fill-frequent", asset="gen1", at=hours(1),
                        within=hours(20), slow=True),),
        may=(*LEAKS, May(condition="compressor-long-run"), May(condition="compressor-overduty"),
             May(condition="air-fill-stuck")),
        never=(Never(condition="air-in-nitrogen-mode",
                     trap="the first minutes after a change of mode"),
               Never(condition="product-oxygen-high", trap="warm-up")))


@story()
def air_called_nitrogen(d: Draw) -> Case:
    """The separator's bypass leaks through: the mode says nitrogen, the product is air."""
    at = d.instant(60 * MINUTE, 90 * MINUTE)
    return Case(
        **_small(d, leak=0.3), devices=(CONTROLLER,), duration=hours(6),
        acts=(act(at, "air-saying-nitrogen", generator="gen1"),),
        expects=(Expect(
            condition="air-in-nitrogen-mode", asset="gen1", after=at, within=minutes(90),
            # A run may end before the on-delay does, and the next one is half an hour away.
            allow=minutes(45), when=lambda p: p.generators["gen1"].running
            and p.generators["gen1"].analyser > 0.18),),
        may=(*LEAKS, May(condition="product-oxygen-high", start=at),
             May(condition="oxygen-rising")),
        never=(Never(condition="air-fill-stuck"),))


@story()
def analyser_switched_off(d: Draw) -> Case:
    """The analyser gives no signal, then reads 0 for hours."""
    at = d.instant(60 * MINUTE, 90 * MINUTE)
    return Case(
        **_small(d, leak=0.3), devices=(CONTROLLER,), duration=hours(8),
        acts=(act(at, "gauge-dead", point="gen1.product_oxygen"),
              act(at + hours(3), "gauge-dead", point="gen1.product_oxygen", reads="zero")),
        may=LEAKS,
        never=(Never(condition="air-in-nitrogen-mode", trap="an analyser that is switched off"),
               Never(condition="product-oxygen-high", trap="an analyser that is switched off"),
               Never(condition="device-silent"), Never(condition="data-frozen")))


@story()
def tired_separator(d: Draw) -> Case:
    """The membrane is fouled: the product holds 4.5 to 6 % of oxygen where 3 % is the limit."""
    at = d.instant(2 * HOUR, 3 * HOUR)
    return Case(
        **_small(d, leak=0.4), devices=(CONTROLLER,), duration=hours(9),
        acts=(act(at, "tired-separator", generator="gen1", oxygen=f"{d.between(4, 4.5):.2f} %"),),
        expects=(Expect(
            condition="product-oxygen-high", asset="gen1", after=at, within=hours(4), slow=True,
            when=lambda p: p.generators["gen1"].running
            and p.generators["gen1"].analyser > 0.032),),
        may=(*LEAKS, May(condition="oxygen-rising")),
        never=(Never(condition="air-in-nitrogen-mode"),))


@story()
def warm_up_after_a_long_rest(d: Draw) -> Case:
    """A tight plant starts its cold separator a few times a day: bad product for a minute
    or two."""
    return Case(
        **_small(d, leak=0.02), devices=(CONTROLLER,), duration=hours(12), wire=Wire(lost=0.01),
        never=(Never(condition="product-oxygen-high", trap="warm-up"),
               Never(condition="air-in-nitrogen-mode", trap="warm-up"),
               Never(condition="data-frozen", trap="a steady plant")))
