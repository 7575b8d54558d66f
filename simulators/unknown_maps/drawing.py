"""Draws a controller from a seed: what it measures, how its map is laid out, how it behaves."""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

Signal = Callable[[float], float]
"""A value in psi, percent, degrees C, hours or counts, by seconds since the controller started."""

_UNITS: dict[str, tuple[float, float]] = {
    "": (1.0, 0.0), "psi": (1.0, 0.0), "%": (1.0, 0.0), "degC": (1.0, 0.0), "h": (1.0, 0.0),
    # 1 bar = 14.503774 psi, by the pound of 0.45359237 kg, the inch of 0.0254 m and standard
    # gravity of 9.80665 m/s2.
    "bar": (14.503773773, 0.0), "kPa": (0.14503773773, 0.0),
    "degF": (5 / 9, -32 * 5 / 9), "% N2": (-1.0, 100.0), "min": (1 / 60, 0.0),
}
_CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}


def in_unit(value: float, unit: str) -> float:
    """Return a value of record in ``unit``."""
    factor, shift = _UNITS[unit]
    return (value - shift) / factor


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A value at an address: ``quantity`` is a point's, or empty for one that is no point."""

    name: str
    table: str
    address: int
    signal: Signal
    type: str = "uint16"
    scale: float = 1.0
    unit: str = ""
    word_order: str = "high-first"
    byte_order: str = "high-first"
    point: str = ""
    cut: bool = False
    """Cut off where others round."""

    @property
    def width(self) -> int:
        """Registers, or bits, taken."""
        return 1 if self.type == "bit" else struct.calcsize(">" + _CODES[self.type]) // 2

    def words(self, time: float) -> list[int]:
        """Return the registers, or the bit, at ``time``."""
        value = self.signal(time)
        if self.type == "bit":
            return [int(bool(value))]
        raw: float = in_unit(value, self.unit) / self.scale
        if self.type != "float32":
            raw = math.trunc(raw + 1e-9) if self.cut else math.floor(raw + 0.5)
            bits, signed = 16 * self.width, self.type.startswith("int")
            raw = (raw + signed * 2 ** (bits - 1)) % 2 ** bits - signed * 2 ** (bits - 1)
        data = struct.pack(">" + _CODES[self.type], raw)
        words = [data[n:n + 2] for n in range(0, len(data), 2)]
        if self.word_order == "low-first":
            words.reverse()
        order = "little" if self.byte_order == "low-first" else "big"
        return [int.from_bytes(word, order) for word in words]  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplayItem:
    """A line of a display."""

    point: str
    signal: Signal
    unit: str
    decimals: int
    cut: bool = False

    def text(self, time: float) -> str:
        """Return the display's text at ``time``, such as ``71.5 psi``."""
        value = in_unit(self.signal(time), self.unit)
        if self.cut:
            value = math.trunc(value * 10 ** self.decimals + 1e-9) / 10 ** self.decimals
        return f"{value:.{self.decimals}f} {self.unit}".rstrip()


__all__ = ["STYLES", "Controller", "Manners", "draw_controller"]

STYLES = ("tenths", "floats-low-first", "doubles-and-mirror", "metric-bytes-swapped",
          "every-second-question", "hangs-when-hurried")


@dataclass(frozen=True, slots=True, kw_only=True)
class Manners:
    """Behaviour of a controller when it is read. Times in seconds."""

    largest_block: int = 125
    """Registers granted in one request; more is refused with exception 3."""
    every_second: bool = False
    shortest_pause: float = 0.0
    """Asked again sooner than this, it hangs."""
    hangs_for: float = 20.0


@dataclass(slots=True, kw_only=True)
class Controller:
    """A controller: its map, its display, its manners and the state of its switches."""

    seed: int
    style: str
    unit: int
    cells: Sequence[Cell]
    display: Sequence[DisplayItem]
    manners: Manners
    switches: dict[str, bool] = field(default_factory=dict)
    """Point of a switch to whether it is operated; a technician operates them by hand."""

    def truth(self) -> dict[str, list[Cell]]:
        """Return the cells of each point; where a point has mirrored cells, its own comes first."""
        found: dict[str, list[Cell]] = {}
        for cell in self.cells:
            if cell.point:
                found.setdefault(cell.point, []).append(cell)
        return found

    def shown(self, time: float) -> dict[str, str]:
        """Return what the display shows at ``time``, by point."""
        return {item.point: item.text(time) for item in self.display}

    def image(self, time: float) -> dict[str, dict[int, int]]:
        """Return every register and bit at ``time``, by table."""
        tables: dict[str, dict[int, int]] = {
            "coils": {}, "discrete-inputs": {}, "holding-registers": {}, "input-registers": {}}
        for cell in self.cells:
            for n, word in enumerate(cell.words(time)):
                tables[cell.table][cell.address + n] = word
        return tables


def _signals(r: random.Random) -> dict[str, Signal]:
    cycle, share = r.uniform(240, 480), r.uniform(0.35, 0.55)
    low = r.uniform(58, 95)
    high = low + r.uniform(15, 25)
    hours0, starts0 = r.choice([r.uniform(300, 3000), r.uniform(7000, 15000)]), r.randint(900, 9000)
    begin = r.uniform(0, cycle)

    def phase(time: float) -> tuple[int, float]:
        whole, part = divmod(time + begin, cycle)
        return int(whole), part / cycle

    def running(time: float) -> float:
        return float(phase(time)[1] < share)

    def tank(time: float) -> float:
        part = phase(time)[1]
        up = part / share if part < share else (1 - part) / (1 - share)
        return low + (high - low) * up

    def run_hours(time: float) -> float:
        whole, part = phase(time)
        return hours0 + (whole + min(part / share, 1.0) * 1.0) * cycle * share / 3600

    def wave(middle: float, swing: float, period: float) -> Signal:
        turn = r.uniform(0, 2 * math.pi)
        return lambda time: middle + swing * math.sin(2 * math.pi * time / period + turn)

    return {
        "tank_pressure": tank, "compressor_running": running, "running_hours": run_hours,
        "start_count": lambda time: float(starts0 + phase(time)[0]),
        "product_oxygen": wave(r.uniform(1.4, 2.6), r.uniform(0.35, 0.7), r.uniform(300, 500)),
        "cabinet_temperature": wave(r.uniform(18, 31), r.uniform(2, 5), r.uniform(350, 700)),
        "dew_point": wave(r.uniform(-45, -25), r.uniform(3, 6), r.uniform(400, 600)),
        "pressure": wave(r.uniform(20, 38), r.uniform(0.8, 2), r.uniform(300, 600)),
        "mode": lambda time: 1.0 if running(time) else 0.0,
        "cut_in": lambda _time: low, "cut_out": lambda _time: high,
        "average": lambda time: sum(tank(time - n) for n in range(0, 60, 10)) / 6 + 1.3,
    }


_DECIMALS = {"tank_pressure": 1, "pressure": 1, "product_oxygen": 2, "running_hours": 1,
             "start_count": 0, "cabinet_temperature": 1, "dew_point": 1}
_OWNERS = {"pressure": "r1"}


def _point(quantity: str) -> str:
    return f"{_OWNERS.get(quantity, 'gen1')}.{quantity}"


@dataclass(frozen=True, slots=True)
class _Layout:
    """The way in which one style of controller writes a quantity."""

    table: str
    base: int
    gap: tuple[int, int]
    word_order: str = "high-first"
    byte_order: str = "high-first"

    def kind(self, style: str, quantity: str, r: random.Random) -> tuple[str, float, str]:
        """Return type, scale and unit."""
        count = quantity in ("start_count",)
        if count:
            return ("uint32" if style == "doubles-and-mirror" else "uint16"), 1.0, ""
        unit = {"product_oxygen": "%", "running_hours": "h", "cabinet_temperature": "degC",
                "dew_point": "degC"}.get(quantity, "psi")
        signed = unit == "degC"
        if style in ("floats-low-first", "hangs-when-hurried"):
            return "float32", 1.0, unit
        if style == "doubles-and-mirror":
            return ("int32" if signed else "uint32"), 0.01, unit
        if style == "metric-bytes-swapped":
            if unit == "psi":
                return "uint16", *r.choice([(1.0, "kPa"), (0.01, "bar"), (0.001, "bar")])
            if unit == "%":
                return "uint16", 0.01, "% N2"
            if unit == "degC":
                return "int16", 0.1, "degF"
            return "uint32", 1.0, "min"
        if unit == "h":
            return "uint32", 0.1, unit
        scale = 0.01 if unit == "%" else 0.1
        return ("int16" if signed or r.random() < 0.4 else "uint16"), scale, unit


def _layout(style: str, r: random.Random) -> _Layout:
    table = r.choice(["input-registers", "holding-registers"])
    match style:
        case "tenths":
            return _Layout(table, r.choice([0, 1, 10]), (0, 0))
        case "floats-low-first":
            return _Layout(table, r.choice([20, 40, 100]), (0, 3), word_order="low-first")
        case "doubles-and-mirror":
            return _Layout(table, r.choice([0, 6, 30]), (0, 2),
                           word_order=r.choice(["high-first", "low-first"]))
        case "metric-bytes-swapped":
            return _Layout(table, r.choice([0, 16]), (0, 2), byte_order="low-first")
        case "every-second-question":
            return _Layout(table, r.choice([0, 4]), (0, 1), word_order="low-first")
    return _Layout(table, r.choice([1000, 2000, 4000]), (0, 1))


def draw_controller(seed: int) -> Controller:
    """Draw the controller of ``seed``; the style is the seed modulo six."""
    r = random.Random(f"unknown-map-{seed}")
    style = STYLES[seed % len(STYLES)]
    signals, layout = _signals(r), _layout(style, r)
    quantities = list(_DECIMALS)
    r.shuffle(quantities)
    cells = _registers(style, layout, quantities, signals, r)
    metric = style == "metric-bytes-swapped" or r.random() < 0.2
    display = [_display(q, signals[q], metric, r) for q in quantities]
    manners = {
        "metric-bytes-swapped": Manners(largest_block=16),
        "every-second-question": Manners(every_second=True),
        "hangs-when-hurried": Manners(shortest_pause=0.25),
    }.get(style, Manners())
    found = Controller(seed=seed, style=style, unit=r.choice([1, 1, 2, 5, 17]), cells=cells,
                       display=display, manners=manners,
                       switches={"gen1.trouble": False, "r1.low_air": False})
    found.cells = [*cells, *_contacts(found, signals, r)]
    return found


def _registers(style: str, layout: _Layout, quantities: Sequence[str],
               signals: dict[str, Signal], r: random.Random) -> list[Cell]:
    cells: list[Cell] = []
    address = layout.base
    cut = r.random() < 0.3

    def put(name: str, signal: Signal, kind: tuple[str, float, str], point: str = "") -> None:
        nonlocal address
        cell = Cell(name=name, table=layout.table, address=address, signal=signal, type=kind[0],
                    scale=kind[1], unit=kind[2], word_order=layout.word_order,
                    byte_order=layout.byte_order, point=point, cut=cut)
        cells.append(cell)
        address += cell.width + r.randint(*layout.gap)

    tank = signals["tank_pressure"]
    pressure = layout.kind(style, "tank_pressure", random.Random(seed_of(style, r)))
    first = tank(0.0)
    per_second = r.choice([0.05, 0.1, 0.2])
    decoys: list[tuple[str, Signal]] = [
        ("cut_in", signals["cut_in"]), ("cut_out", signals["cut_out"]),
        ("stuck", lambda _time: first), ("average", signals["average"]),
        ("counter", lambda time: first + per_second * time),
    ]
    r.shuffle(decoys)
    for n, quantity in enumerate(quantities):
        kind = pressure if quantity == "tank_pressure" else layout.kind(style, quantity, r)
        put(quantity, signals[quantity], kind, _point(quantity))
        if n < len(decoys):
            put(decoys[n][0], decoys[n][1], pressure)
        if r.random() < 0.3:
            put("spare", lambda _time: 0.0, ("uint16", 1.0, ""))
    put("mode", signals["mode"], ("uint16", 1.0, ""), "gen1.mode")
    for letters in ("NU", "-7", "B "):
        word = int.from_bytes(letters.encode(), "big")
        put("text", lambda _time, word=word: float(word), ("uint16", 1.0, ""))  # type: ignore[misc]
    if style == "doubles-and-mirror":
        shift = address - layout.base + r.choice([4, 20])
        cells += [Cell(name=f"{c.name} again", table=c.table, address=c.address + shift,
                       signal=c.signal, type=c.type, scale=c.scale, unit=c.unit,
                       word_order=c.word_order, byte_order=c.byte_order, point=c.point, cut=c.cut)
                  for c in cells]
    return cells


def seed_of(style: str, r: random.Random) -> str:
    """Return one seed for a number that several cells share."""
    return f"{style}-{r.random()}"


def _display(quantity: str, signal: Signal, metric: bool, r: random.Random) -> DisplayItem:
    unit = {"product_oxygen": "%", "running_hours": "h", "cabinet_temperature": "degF",
            "dew_point": "degF", "start_count": ""}.get(quantity, "psi")
    decimals = _DECIMALS[quantity]
    if metric and unit == "psi":
        unit, decimals = "bar", 2
    elif metric and unit == "degF":
        unit = "degC"
    if quantity == "product_oxygen":
        decimals = r.choice([1, 2])
    return DisplayItem(point=_point(quantity), signal=signal, unit=unit, decimals=decimals,
                       cut=r.random() < 0.3)


def _contacts(controller: Controller, signals: dict[str, Signal], r: random.Random) -> list[Cell]:
    base = r.choice([0, 3, 16])
    table = r.choice(["discrete-inputs", "coils"])

    def switch(point: str, closed: bool) -> Signal:
        return lambda _time: float(controller.switches[point] == closed)

    signal: dict[str, Signal] = {
        "gen1.compressor_running": signals["compressor_running"],
        "gen1.trouble_no": switch("gen1.trouble", True),
        "gen1.trouble_nc": switch("gen1.trouble", False),
        "r1.low_air": switch("r1.low_air", True),
        "always on": lambda _time: 1.0,
        "blinks": lambda time: float(int(time / 7) % 2),
    }
    order = list(signal)
    r.shuffle(order)
    return [Cell(name=name, table=table, address=base + n, signal=signal[name], type="bit",
                 point=name if "." in name else "") for n, name in enumerate(order)]
