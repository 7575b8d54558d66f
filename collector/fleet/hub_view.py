"""What one person may see of the fleet, and nothing else of it.

Every route of the board works on a :class:`FleetView`. A view is made for a person and holds only
their sites: a site that is not theirs is, to the view, a site that does not exist. There is no
other way from a route to the fleet.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from collector.fleet.hub_alarms import FleetAlarm
from collector.fleet.hub_settings import Customer, HubSettings, folded
from collector.fleet.hub_state import SiteState
from collector.fleet.hub_trends import Trend

__all__ = ["FleetFacts", "FleetView", "Sight", "sight_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetFacts:
    """The whole fleet at one moment. Keys are ``group/site``."""

    states: Mapping[str, SiteState] = field(default_factory=dict)
    alarms: Mapping[str, Sequence[FleetAlarm]] = field(default_factory=dict)
    """Those that are present."""
    trends: Mapping[str, Sequence[Trend]] = field(default_factory=dict)


Allowed = Callable[[str, str], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """Which sites somebody may see, and whose they are called."""

    allowed: Allowed
    title: str
    staff: bool = False


def sight_of(person: str, settings: HubSettings) -> Sight:
    """Return what somebody who is signed in may see: nothing, unless the hub's file says so."""
    name = folded(person)
    if name and name in settings.staff:
        return Sight(allowed=lambda group, site: True, title=settings.name, staff=True)
    mine: list[Customer] = [c for c in settings.customers if name and name in c.people]
    return Sight(
        allowed=lambda group, site: any(c.has(group, site) for c in mine),
        title=mine[0].name if mine else settings.name,
    )


class FleetView:
    """The part of the fleet that one person may see."""

    def __init__(self, facts: FleetFacts, sight: Sight) -> None:
        self.title, self.staff = sight.title, sight.staff
        self._states = {key: s for key, s in facts.states.items()
                        if sight.allowed(s.group, s.site)}
        self._facts = facts

    def __repr__(self) -> str:
        return f"FleetView({self.title}, {len(self._states)} sites)"

    def __len__(self) -> int:
        return len(self._states)

    def sites(self) -> list[SiteState]:
        """Return the sites, by name."""
        return sorted(self._states.values(), key=lambda s: (s.name or s.site, s.key))

    def site(self, group: str, site: str) -> SiteState | None:
        """Return a site; ``None`` for one that does not exist or is another's."""
        return self._states.get(f"{group}/{site}")

    def alarms(self, state: SiteState) -> Sequence[FleetAlarm]:
        """Return what is present at a site."""
        return self._facts.alarms.get(state.key, ()) if state.key in self._states else ()

    def trends(self, state: SiteState) -> Sequence[Trend]:
        """Return how a site's quantities have changed."""
        return self._facts.trends.get(state.key, ()) if state.key in self._states else ()

    def search(self, words: str) -> list[SiteState]:
        """Return the sites whose name, id or group holds every word."""
        wanted = words.casefold().split()

        def fits(state: SiteState) -> bool:
            text = f"{state.name} {state.key}".casefold()
            return all(word in text for word in wanted)
        return [s for s in self.sites() if wanted and fits(s)]


