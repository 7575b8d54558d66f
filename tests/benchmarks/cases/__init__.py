"""The bank of cases: stories of the bundled plant, with what must and must not be said of them.

Importing it fills :data:`BANK`.
"""

from tests.benchmarks.cases import (
    compressors,
    contacts,
    healthy,
    leaks,
    mixed,
    modes,
    pressures,
    purges,
    sensors,
)
from tests.benchmarks.cases.shape import BANK

__all__ = ["BANK"]

_FAMILIES = (compressors, contacts, healthy, leaks, mixed, modes, pressures, purges, sensors)
