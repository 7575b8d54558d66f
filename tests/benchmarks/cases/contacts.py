"""Stories of dry contacts: what they say, broken wires, bounce, and sites that have
nothing else."""

from __future__ import annotations

from simulators.plant import Plant
from simulators.units import PSI
from tests.benchmarks.cases.build import act, generator, hours, minutes, off, plant, riser
from tests.benchmarks.cases.shape import (
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

CONTROLLER = Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1"))
SWITCHES = Dev(id="switches", registers="switches-s", watches=("r1",))


def _small(d: Draw, leak: float = 0.05) -> dict[str, dict[str, object]]:
    return plant(
        generators=[generator(tank_start=f"{d.between(64, 78):.1f} psi")],
        risers=[riser(volume=f"{d.about(450):.0f} gal", leak=f"{d.about(leak):.3f} scfm")])


def _io(*things: str, every: int = 2 * SECOND) -> Dev:
    return Dev(id="remote-io", registers="contacts-k", watches=things, every=every)


@story()
def broken_wire(d: Draw) -> Case:
    """A wire comes off one leg of the trouble relay's form C."""
    at = d.instant(20 * MINUTE, 60 * MINUTE)
    leg = d.choice("gen1.trouble_nc", "gen1.trouble_no")
    acts = [act(at, "wire-off", point=leg)]
    if leg.endswith("no"):  # the open leg's wire shows only when the relay drops out
        acts.append(act(at, "generator-trouble", generator="gen1"))
    return Case(
        **_small(d), devices=(CONTROLLER,), duration=hours(2.5), acts=tuple(acts),
        wire=Wire(lost=0.01),
        expects=(Expect(condition="contact-disagreement", asset="gen1", at=at,
                        within=minutes(5)),),
        may=(May(condition="generator-trouble", start=at),) if leg.endswith("no") else (),
        never=(Never(condition="generator-trouble", trap="a broken wire is no trouble signal"),
               Never(condition="device-silent")))


@story()
def stuck_low_air_switch(d: Draw) -> Case:
    """The low-air switch's contacts are welded open: the pressure is gone and it says all
    is well."""
    at = d.instant(20 * MINUTE, 40 * MINUTE)
    return Case(
        **_small(d), devices=(CONTROLLER, SWITCHES), duration=hours(2.5),
        acts=(act(0, "contact-stuck", point="r1.low_air", closed=False),
              act(at, "leak-step", riser="r1", flow="14 scfm")),
        expects=(
            Expect(condition="contact-disagreement", asset="r1", within=minutes(10),
                   when=lambda p: p.risers["r1"].gauge < 15.8 * PSI, early=minutes(3)),
            Expect(condition="pressure-low", asset="r1", within=minutes(10),
                   when=lambda p: p.risers["r1"].gauge < 18 * PSI)),
        may=tuple(May(condition=c, start=at) for c in (
            "leak-high", "leak-growing", "compressor-long-run", "air-fill-stuck",
            "air-fill-frequent", "pressure-falling-fast", "compressor-overduty")),
        never=(Never(condition="low-air-contact"),))


@story()
def trouble_relay(d: Draw) -> Case:
    """The generator drops its trouble relay for twenty minutes."""
    at = d.instant(20 * MINUTE, 60 * MINUTE)
    return Case(
        **_small(d), devices=(CONTROLLER,), duration=hours(2), wire=Wire(lost=0.01),
        acts=(act(at, "generator-trouble", generator="gen1"),
              off(at + minutes(20), "generator-trouble", generator="gen1")),
        expects=(Expect(condition="generator-trouble", asset="gen1", at=at, within=minutes(5)),),
        never=(Never(condition="power-lost"), Never(condition="contact-disagreement")))


@story()
def bounce_on_every_contact(d: Draw) -> Case:
    """Contacts are caught bouncing by single polls, and legs in the milliseconds of change-over."""
    points = ("gen1.trouble", "gen1.power", "gen1.trouble_no", "gen1.trouble_nc", "r1.low_air",
              "r1.high_air")
    return Case(
        **_small(d), devices=(
            Dev(id="riser", registers="transmitters-t", watches=("r1",)), _io("gen1", "r1")),
        duration=hours(4), wire=Wire(bounce=dict.fromkeys(points, 1 / 300)),
        never=tuple(Never(condition=c, trap="bounce") for c in (
            "generator-trouble", "power-lost", "low-air-contact")) + (
            Never(condition="contact-disagreement", trap="the change-over milliseconds"),))


@story()
def change_over(d: Draw) -> Case:
    """The trouble relay changes over again and again, each time caught with both legs alike for a
    poll."""
    times = [d.instant(n * 20 * MINUTE, n * 20 * MINUTE + 5 * MINUTE) for n in range(1, 12)]
    acts = []
    for at in times:
        acts += [act(at, "generator-trouble", generator="gen1"),
                 act(at, "wire-off", point="gen1.trouble_no"),
                 off(at + 3 * SECOND, "wire-off", point="gen1.trouble_no"),
                 off(at + minutes(8), "generator-trouble", generator="gen1")]
    return Case(
        **_small(d), devices=(CONTROLLER,), duration=hours(4.5), acts=tuple(acts),
        may=(May(condition="generator-trouble"),),
        never=(Never(condition="contact-disagreement", trap="the change-over milliseconds"),))


def _running(p: Plant) -> bool:
    return p.generators["gen1"].running


@story()
def contacts_alone_long_run(d: Draw) -> Case:
    """Nothing but contacts: a leak makes a run of more than twelve minutes all the same."""
    at = d.instant(20 * MINUTE, 40 * MINUTE)
    return Case(
        **_small(d), devices=(_io("gen1", "r1"),), duration=hours(3), wire=Wire(lost=0.02),
        acts=(act(at, "leak-step", riser="r1", flow=f"{d.between(1.35, 1.6):.2f} scfm"),),
        settings={"compressor-long-run": {"limit": "12 min"}},
        expects=(Expect(condition="compressor-long-run", asset="gen1", when=_running,
                        held=minutes(12), within=minutes(5)),),
        may=(May(condition="compressor-overduty"), May(condition="leak-high"),
             May(condition="leak-growing")))


@story()
def contacts_alone_air_fill(d: Draw) -> Case:
    """Nothing but contacts: stuck in air-fill shows on the mode's contact."""
    at = d.instant(20 * MINUTE, 60 * MINUTE)
    return Case(
        **_small(d), devices=(_io("gen1", "r1"),), duration=hours(3), wire=Wire(lost=0.02),
        acts=(act(at, "stuck-air-fill", generator="gen1"),),
        expects=(Expect(condition="air-fill-stuck", asset="gen1", held=minutes(30),
                        when=lambda p: p.generators["gen1"].air_fill, within=minutes(5)),))


@story()
def contacts_alone_low_air(d: Draw) -> Case:
    """Nothing but contacts: the low-air switch closes; later the power goes."""
    at = d.instant(20 * MINUTE, 60 * MINUTE)
    gone = at + hours(2)
    return Case(
        **_small(d), devices=(_io("gen1", "r1"),), duration=hours(4), wire=Wire(lost=0.02),
        acts=(act(at, "leak-step", riser="r1", flow="14 scfm"),
              off(at + hours(0.7), "leak-step", riser="r1"),
              act(gone, "power-off", generator="gen1")),
        expects=(
            Expect(condition="low-air-contact", asset="r1", within=minutes(10),
                   when=lambda p: p.risers["r1"].gauge < 18 * PSI),
            Expect(condition="power-lost", asset="gen1", at=gone, within=minutes(5))),
        may=(May(condition="generator-trouble", start=gone),
             *(May(condition=c, start=at) for c in (
                 "compressor-long-run", "air-fill-stuck", "air-fill-frequent",
                 "compressor-overduty"))),
        never=(Never(condition="compressor-not-starting", trap="power off at the disconnect"),
               Never(condition="contact-disagreement", asset="r1")))


@story(healthy=True)
def short_cycle_by_contacts(d: Draw) -> Case:
    """A small tank and steady demand: six or seven honest starts an hour are not short cycling."""
    case = _small(d, leak=0.4)
    for table in (*case["tables"]["generators"], *case["site"]["generators"]):  # type: ignore[misc]
        table["tank_volume"] = "30 gal"  # type: ignore[index]
    return Case(
        **case, devices=(_io("gen1", "r1", every=10 * SECOND),), duration=hours(16),
        wire=Wire(lost=0.01),
        never=(Never(condition="compressor-short-cycling", trap="an honest small tank"),))


