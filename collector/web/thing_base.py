"""What the pages of one thing have in common."""

from __future__ import annotations

from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Path
from starlette.requests import Request

from collector.domain.plant import Thing
from collector.web.board_lists import Line, estimate_lines
from collector.web.board_view import board_view
from collector.web.gathering import board_facts
from collector.web.ranges import RangeView, read_range
from collector.web.services import BoardServices

__all__ = ["ThingId", "ThingPages"]

ThingId = Annotated[str, Path(max_length=200)]


class ThingPages:
    """Asks the services for what every page of a thing shows."""

    def __init__(self, services: BoardServices) -> None:
        self._services = services

    def _zone(self) -> ZoneInfo:
        return ZoneInfo(self._services.plant().site.timezone)

    def _range(self, request: Request, default: str = "1d") -> RangeView:
        return read_range(request.query_params, self._services.clock.now(), self._zone(),
                          default=default)

    async def _common(self, thing: Thing) -> Any:
        board = board_view(await board_facts(self._services, log=False))
        view = next(t for t in board.things if t.id == thing.id)
        return {
            "board": board, "thing": view,
            "alarms": [a for a in board.alarms if a.asset == thing.id
                       or a.asset.startswith(f"{thing.id}.")],
        }

    def _estimates(self, *assets: str) -> list[Line]:
        mine = [e for e in self._services.estimates() if e.asset in assets]
        return estimate_lines(mine, self._services.plant(), self._zone(),
                              self._services.clock.now())
