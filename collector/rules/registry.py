"""Which family builds which condition. A new one goes into its family's table, nowhere else."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from collector.domain.conditions import CATALOGUE, Condition
from collector.domain.verdicts import NotWatched
from collector.rules import (
    blocked,
    collector_health,
    compressor,
    contacts,
    cycling,
    delivery,
    duty,
    energy,
    estimates,
    fallback,
    falling,
    frozen,
    health,
    leak,
    mode,
    oxygen,
    pressure,
    product,
    purge_estimates,
    rising,
    room,
    sensor,
    service,
    starting,
    tankleak,
    vent,
    weak,
    wired,
)
from collector.rules.base import Context, Estimator, Rule, RuleSet

__all__ = ["BUILDERS", "ESTIMATORS", "Build", "build_rule_set"]

Build = Callable[[Context, str], Rule | NotWatched | None]
"""Builds the rule of one asset, or says why not; ``None`` where the condition means nothing."""

BUILDERS: Mapping[str, Build] = {
    **compressor.CONDITIONS, **mode.CONDITIONS, **oxygen.CONDITIONS, **pressure.CONDITIONS,
    **falling.CONDITIONS,
    **rising.CONDITIONS, **sensor.CONDITIONS, **room.CONDITIONS, **blocked.CONDITIONS,
    **duty.CONDITIONS, **cycling.CONDITIONS, **starting.CONDITIONS, **fallback.CONDITIONS,
    **product.CONDITIONS,
    **leak.CONDITIONS, **vent.CONDITIONS, **contacts.CONDITIONS, **service.CONDITIONS,
    **health.CONDITIONS, **frozen.CONDITIONS, **collector_health.CONDITIONS,
    **wired.CONDITIONS,
    **weak.CONDITIONS, **tankleak.CONDITIONS,
}

ESTIMATORS: tuple[Callable[[Context], Iterable[Estimator]], ...] = (
    energy.build_estimators, estimates.build_estimators, service.build_estimators,
    leak.build_estimators,
    delivery.build_estimators, purge_estimates.build_estimators,
)
"""Each builds the estimators of one family, for everything that is wired."""


def build_rule_set(context: Context) -> RuleSet:
    """Return every rule and estimator of the plant, and the conditions that are not watched.

    Rules are in the order of the catalogue, estimators family by family.
    """
    rules: list[Rule] = []
    missing: list[NotWatched] = []
    for condition in CATALOGUE.values():
        kinds = (condition.applies_to, *condition.also)
        for asset in (a for kind in kinds for a in _assets(kind, context)):
            made = _build(condition, asset, context)
            if isinstance(made, NotWatched):
                missing.append(made)
            elif made is not None:
                rules.append(made)
    estimators = [estimator for build in ESTIMATORS for estimator in build(context)]
    return RuleSet(rules=rules, estimators=estimators, not_watched=tuple(missing))


def _build(condition: Condition, asset: str, context: Context) -> Rule | NotWatched | None:
    builder = BUILDERS.get(condition.id)
    if builder is None:
        reason = "this version does not watch it"
    elif context.settings.for_(condition.id, asset).get("enabled") is False:
        reason = "switched off in the site file"
    else:
        return builder(context, asset)
    return NotWatched(condition=condition.id, asset=asset, reason=reason)


def _assets(kind: str, context: Context) -> Iterable[str]:
    plant = context.plant
    match kind:
        case "generator":
            return plant.generators
        case "riser":
            return plant.risers
        case "vent":
            return plant.vents
        case "room":
            return plant.rooms
        case "device":
            # Without devices a thing answers for itself.
            return plant.devices or [t.id for t in plant.things()]
        case "contact":
            return [t.id for t in plant.things()]
        case _:
            return [plant.site.id]
