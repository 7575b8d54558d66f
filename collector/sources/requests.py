"""The only questions this program knows: read some bits, read some registers.

Modbus Application Protocol Specification V1.1b3, sections 6.1 to 6.4: function codes 1 to 4, at
most 2000 bits or 125 registers in one request.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BIT_TABLES", "FUNCTION_CODES", "MAX_BITS", "MAX_REGISTERS", "ReadRequest"]

FUNCTION_CODES = {
    "coils": 1,
    "discrete-inputs": 2,
    "holding-registers": 3,
    "input-registers": 4,
}
BIT_TABLES = frozenset({"coils", "discrete-inputs"})
MAX_BITS = 2000
MAX_REGISTERS = 125


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadRequest:
    """Read ``count`` bits or registers of ``table`` from zero-based ``address``, of ``unit``.

    Raises ``ValueError`` for a table that cannot be read, or limits of the specification passed.
    """

    unit: int
    table: str
    address: int
    count: int

    def __post_init__(self) -> None:
        if self.table not in FUNCTION_CODES:
            raise ValueError(f"no such table: {self.table!r}; expected {', '.join(FUNCTION_CODES)}")
        if not 0 <= self.unit <= 255:
            raise ValueError(f"unit {self.unit} is not within 0 to 255")
        most = MAX_BITS if self.is_bits else MAX_REGISTERS
        if not 1 <= self.count <= most:
            raise ValueError(f"count {self.count} is not within 1 to {most}")
        if not 0 <= self.address <= 65536 - self.count:
            raise ValueError(f"{self.count} from address {self.address} pass the end of the table")

    def __str__(self) -> str:
        last = self.address + self.count - 1
        span = f"{self.address}" if self.count == 1 else f"{self.address} to {last}"
        return f"{self.table} {span} of unit {self.unit}"

    @property
    def function_code(self) -> int:
        """1, 2, 3 or 4."""
        return FUNCTION_CODES[self.table]

    @property
    def is_bits(self) -> bool:
        """Whether bits come back, not registers."""
        return self.table in BIT_TABLES

    @property
    def reply_bytes(self) -> int:
        """Bytes of data in a right reply."""
        return (self.count + 7) // 8 if self.is_bits else self.count * 2
