"""Devices and points of the site file and the profiles, checked and in units of record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["Address", "ContactLeg", "DeviceSettings", "PointSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """The address of a device. Devices with equal addresses share one connection and take turns.

    ``kind`` is ``tcp`` (Modbus TCP), ``rtu`` (a serial line), ``rtu+tcp`` (RTU frames through a
    converter) or ``gpio`` (a local chip, no Modbus at all).
    """

    kind: str
    host: str = ""
    port: int = 502
    path: str = ""
    baud: int = 19200
    parity: str = "even"
    stop_bits: int = 1

    def __str__(self) -> str:
        if self.kind == "rtu":
            return f"rtu:{self.path}?baud={self.baud}&parity={self.parity}"
        if self.kind == "gpio":
            return f"gpio:{self.path}"
        return f"{self.kind}://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactLeg:
    """One leg of a contact: a bit in ``coils`` or ``discrete-inputs``, or a GPIO line offset."""

    table: str
    address: int
    inverted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSettings:
    """One point of a device: its registers or contact legs, its decoding, its name.

    Either ``table``/``address``/``type`` are set, or the legs of a form C contact are.
    The reading is ``(raw * scale + offset) * factor + shift``: the profile's own scaling first,
    then the profile's unit into the unit of record.
    """

    point: str
    table: str = ""
    """``coils``, ``discrete-inputs``, ``input-registers`` or ``holding-registers``."""
    address: int = 0
    type: str = "uint16"
    """``int16 uint16 int32 uint32 int64 uint64 float32 float64 bit text``."""
    length: int = 1
    """Registers taken by a ``text``; bit number within the register for a ``bit`` in one."""
    bit: int | None = None
    word_order: str = "high-first"
    byte_order: str = "high-first"
    scale: float = 1.0
    offset: float = 0.0
    factor: float = 1.0
    shift: float = 0.0
    invalid: tuple[float, ...] = ()
    """Raw values that mean "no value"."""
    low: float | None = None
    high: float | None = None
    """Limits of what is possible, in the unit of record; outside, the quality is bad."""
    values: Mapping[str, float] = field(default_factory=dict)
    """Raw number or text to value of record, for modes and coded states; others are bad."""
    normally_open: ContactLeg | None = None
    normally_closed: ContactLeg | None = None
    debounce: int = 0
    """ms a contact must keep a new state before it counts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSettings:
    """One device as the poller sees it. Durations in ms."""

    id: str
    name: str
    address: Address
    unit: int
    every: int
    points: tuple[PointSettings, ...]
    timeout: int = 1000
    max_gap: int = 8
    """Unused registers (or 16 times as many bits) a merged request may span."""
    max_registers: int = 125
    max_bits: int = 2000
    pause: int = 0
    """ms between two requests of one poll: some controllers hang when they are hurried."""
    retries: int = 0
    """How often a question without a reply is asked again at once."""
    trusted: frozenset[str] = frozenset()
    """Points whose readings are not doubted, however unlikely they are."""
