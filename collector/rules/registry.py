"""Registry of all rules and estimators; builds those of one plant."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from collector.domain.conditions import CATALOGUE, Condition
from collector.domain.evaluations import NotMonitored
from collector.rules import (
    blocked,
    collector_health,
    compressor,
    contacts,
    cycling,
    delivery,
    dry_contacts,
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
    productgas,
    purge_estimates,
    rising,
    room,
    sensor,
    service,
    starting,
    tankleak,
    vent,
    weak,
)
from collector.rules.base import Context, Estimator, Rule, RuleSet

_FAMILIES = (
    energy, estimates, service, leak, delivery, productgas, purge_estimates,
    blocked, collector_health, compressor, contacts, cycling, duty, fallback, falling, frozen,
    health, mode, oxygen, pressure, product, rising, room, sensor, starting, tankleak, vent, weak,
    dry_contacts,
)
"""Estimates of one tick are in this order."""

RULES: Mapping[str, type[Rule]] = {
    kind.condition: kind for family in _FAMILIES for kind in vars(family).values()
    if isinstance(kind, type) and issubclass(kind, Rule) and "condition" in vars(kind)
}
"""Condition id to its rule."""

ESTIMATORS: tuple[Callable[[Context], Iterable[Estimator]], ...] = tuple(
    family.build_estimators for family in _FAMILIES if hasattr(family, "build_estimators"))
"""Each builds the estimators of one family, for every configured asset."""


def build_rule_set(context: Context) -> RuleSet:
    """Return every rule and estimator of the plant, and the conditions that are not monitored.

    Rules are in the order of the catalogue, estimators family by family.
    """
    rules: list[Rule] = []
    missing: list[NotMonitored] = []
    for condition in CATALOGUE.values():
        kinds = (condition.applies_to, *condition.also)
        for asset in (a for kind in kinds for a in _assets(kind, context)):
            made = _build(condition, asset, context)
            if isinstance(made, NotMonitored):
                missing.append(made)
            elif made is not None:
                rules.append(made)
    estimators = [estimator for build in ESTIMATORS for estimator in build(context)]
    return RuleSet(rules=rules, estimators=estimators, not_monitored=tuple(missing))


def _build(condition: Condition, asset: str, context: Context) -> Rule | NotMonitored | None:
    rule = RULES.get(condition.id)
    if rule is None:
        reason = "watched by the fleet end"
    elif context.settings.for_(condition.id, asset).get("enabled") is False:
        reason = "switched off in the site file"
    elif not rule.applies(context, asset):
        return None
    else:
        reason = rule.lacks(context, asset)
    if rule is None or reason:
        return NotMonitored(condition=condition.id, asset=asset, reason=reason)
    build: Callable[[Context, str], Rule] = rule
    return build(context, asset)


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
            # Without devices an asset is its own source.
            return plant.devices or [t.id for t in plant.things()]
        case "contact":
            return [t.id for t in plant.things()]
        case _:
            return [plant.site.id]
