"""The board and the HTTP interface: reads the live picture, changes only alarms' states."""

from collector.web.app import create_app, serve
from collector.web.services import (
    BoardServices,
    CollectorStatistics,
    DeviceStatistics,
    ForwardStatistics,
)

__all__ = [
    "BoardServices", "CollectorStatistics", "DeviceStatistics", "ForwardStatistics",
    "create_app", "serve",
]
