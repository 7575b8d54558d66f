"""Runs whole commissionings of drawn controllers and holds the outcome to their maps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from collector.commissioning.commissioning import Commissioning
from collector.commissioning.display_match import DisplayMatch
from collector.commissioning.matching import Match, Outlook
from simulators.unknown_maps import Controller, draw_controller
from tests.commissioning.drive import is_true
from tests.commissioning.technician import Technician, plant_answers, served
from tests.wire import WireRegistry, in_thread, tcp_tap

__all__ = ["Outcome", "Run", "commission", "outcomes", "ranges_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One point: what was shown, what was left, and whether that is so."""

    point: str
    shown: tuple[str, ...]
    outlook: Outlook | None
    best: str
    true: str
    """``right``, ``alike`` (named, and no reading tells them apart), ``named`` or ``WRONG``."""
    left: int
    others: str
    """What is left beside the best, where the registers were not always alike."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One controller: its points, and what its wire saw."""

    controller: Controller
    rows: tuple[Outcome, ...]
    questions: int
    seconds: float
    """Of the device's own time."""
    codes: frozenset[int]
    shortest: float
    """The shortest pause between two questions, but for the hundredth part of them."""
    most_a_second: float
    hangs: int
    asked: int
    """Questions put to the technician."""


def ranges_of(controller: Controller) -> str:
    """Return a register list that gives the extent of each table, to keep the search short."""
    return ", ".join(f"{min(cells)}-{max(cells)}"
                     for cells in controller.image(0).values() if cells)


def commission(seed: int, folder: Path, *, speed: float = 40.0, search: bool = False) -> Run:
    """Commission the controller of ``seed`` over Modbus TCP, by its display alone."""
    controller = draw_controller(seed)
    if controller.manners.every_second:
        speed = min(speed, 10.0)  # a time-out is never shorter than 0.1 s of real time
    if controller.manners.shortest_pause:
        speed = min(speed, 20.0)  # a busy machine must not make two questions seem one hurry
    seen: list[tuple[dict[str, Match], int]] = []
    registry = WireRegistry()

    class Seen(DisplayMatch):
        def points(self):  # type: ignore[no-untyped-def]
            seen.append((self.matches(), self._rounds))
            return super().points()
    import collector.commissioning.commissioning as module
    module.DisplayMatch = Seen  # type: ignore[misc]
    try:
        with served(controller, speed=speed) as (where, clock, device):
            port = int(where.rpartition(":")[2])
            with in_thread(lambda: tcp_tap("127.0.0.1", port, registry=registry)) as tap:
                person = Technician(controller, clock, plant_answers(
                    f"tcp://127.0.0.1:{tap}", unit=controller.unit,
                    ranges="" if search else ranges_of(controller)))
                work = Commissioning(folder / "site.toml", person, clock)
                work.run()
            shown = {key: text for key, text in work.state.answers.items() if ".display." in key}
    finally:
        module.DisplayMatch = DisplayMatch  # type: ignore[misc]
    registry.check()
    times = [asked[0] for asked in device.asked]
    gaps = sorted(b - a for a, b in zip(times, times[1:], strict=False))
    return Run(
        controller=controller, rows=tuple(outcomes(controller, *seen[0], shown)),
        questions=len(times), seconds=times[-1] - times[0],
        codes=frozenset(registry.function_codes()), shortest=gaps[len(gaps) // 100],
        most_a_second=max(_in_a_second(times)), hangs=device.hangs, asked=len(person.asked))


def _in_a_second(times: list[float]) -> Iterator[int]:
    """Give how many questions came in the second that each begins."""
    for n, time in enumerate(times):
        last = n
        while last < len(times) and times[last] < time + 1:
            last += 1
        yield last - n


def outcomes(
    controller: Controller, matches: dict[str, Match], rounds: int, shown: dict[str, str],
) -> Iterator[Outcome]:
    """Hold what was left of each point to the map."""
    for item in controller.display:
        typed = tuple(text for n in range(rounds)
                      if (text := shown.get(f"device.0.display.{n}.{item.point}")))
        match = matches.get(item.point)
        families = match.families if match else ()
        cells = controller.truth()[item.point]
        best = families[0].best if families else None
        if best is not None and any(is_true(cell, best) for cell in cells):
            true = "right"
        elif families and any(is_true(cell, c) for cell in cells
                              for c in families[0].candidates):
            true = "alike"
        elif any(is_true(cell, c) for cell in cells for f in families for c in f.candidates):
            true = "named"
        else:
            true = "WRONG"
        yield Outcome(point=item.point, shown=typed, outlook=match.outlook if match else None,
                      best=str(best or ""), true=true, left=len(families),
                      others="alike" if match and match.same and len(families) > 1
                      else "; ".join(str(f.best) for f in families[1:4]))
