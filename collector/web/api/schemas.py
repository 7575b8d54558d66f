"""The JSON of the HTTP interface: instants ISO 8601, ages in s, values in units of record.

Every model refuses unknown fields, so that a misspelt one cannot pass unnoticed.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

Value = float | int | str | None


class ApiModel(BaseModel):
    """Base of every request and response."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)


def _one_line(value: object) -> object:
    """Join white space; refuse what cannot be printed."""
    if not isinstance(value, str):
        return value
    text = " ".join(value.split())
    if not text.isprintable():
        raise ValueError("holds characters that cannot be printed")
    return text


Line = Annotated[str, BeforeValidator(_one_line)]


class ActionBody(BaseModel):
    """The body of an action: the person and the reason."""

    model_config = ConfigDict(strict=True, json_schema_extra={"required": ["by"]})

    by: Line = Field("", max_length=80, description="who does it; only with a token: a session has "
                                                    "its person's name")
    why: Line = Field("", max_length=500, description="the reason")


class ReasonedBody(ActionBody):
    """An action that needs a reason."""

    model_config = ConfigDict(json_schema_extra={"required": ["by", "why"]})


class LastingBody(ReasonedBody):
    """An action that ends: ``for`` or ``until``."""

    for_: str | float = Field("", alias="for", description="for how long, such as 4 h (a number is "
                                                           "in s); or else 'until'")
    until: str | float = Field("", description="until when, ISO 8601 with an offset, or s since "
                                               "1970")


class WindowBody(LastingBody):
    """An impairment or a visit: it may begin later, and has what the procedure asks for."""

    from_: str | float = Field("", alias="from", description="when it begins, ISO 8601 with an "
                                                             "offset, or s since 1970; now without")
    coordinator: Line = Field("", max_length=120, description="the impairment coordinator")
    tag: Line = Field("", max_length=120, description="number of the impairment tag")
    notified_authority: Line = Field("", max_length=200, description="who of the authority having "
                                                                     "jurisdiction was notified")
    notified_station: Line = Field("", max_length=200, description="who of the monitoring station "
                                                                   "was notified")
    notified_owner: Line = Field("", max_length=200, description="who of the owner was notified")
    fire_watch: Line = Field("", max_length=200, description="who keeps the fire watch")


class AtSite(ApiModel):
    """A response that says of which site, and when."""

    site: str
    time: str


class Acted(ApiModel):
    """The result of an action: the kind, by whom, and when."""

    done: str
    by: str
    time: str


class ErrorResponse(ApiModel):
    """The reason for which a request was refused."""

    error: str


class PointResponse(ApiModel):
    """The last reading of a point."""

    point: str
    value: float | None
    unit: str
    quality: Literal["good", "bad", "stale"]
    why: str
    time: str
    age: float
    last_good: str | None


class AlarmResponse(ApiModel):
    """One alarm that is not in the normal state."""

    id: str
    condition: str
    title: str
    asset: str
    name: str
    state: str
    signal: str
    priority: str
    present: bool
    since: str
    raised: str
    text: str
    values: dict[str, Value]
    by: str
    why: str
    until: str | None


class NotMonitoredResponse(ApiModel):
    """A condition that is not monitored for an asset, and why."""

    condition: str
    asset: str
    reason: str


class StatusResponse(ApiModel):
    """The state of the site."""

    site: str
    name: str
    time: str
    alive: bool
    reasons: list[str]
    live_alarms: int
    unacknowledged: int
    impaired_until: str | None = None
    points: list[PointResponse]
    not_watched: list[NotMonitoredResponse]
    cautions: list[str]
    version: str


class AlarmsResponse(AtSite):
    """Every alarm that is not in the normal state, the most urgent first."""

    alarms: list[AlarmResponse]


class ActResponse(Acted):
    """The result of an action: the alarm's present state, or ``null`` when it is normal."""

    alarm: AlarmResponse | None


class StepResponse(ApiModel):
    """One step of a series; its values are ``null`` without valid data."""

    time: str
    count: int
    low: float | None
    mean: float | None
    high: float | None


class SeriesResponse(ApiModel):
    """The trend of a point."""

    point: str
    unit: str
    from_: str = Field(alias="from")
    to: str
    every: float
    """Seconds."""
    steps: list[StepResponse]


class EstimateResponse(ApiModel):
    """One quantity with interval and window, or the reason why there is none."""

    time: str
    quantity: str
    asset: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    window: list[str] | None
    reason: str


class EstimatesResponse(ApiModel):
    """The latest estimate of every quantity."""

    site: str
    estimates: list[EstimateResponse]


class HealthResponse(ApiModel):
    """Whether the monitor itself is alive."""

    alive: bool
    reasons: list[str]
    impaired: bool | None = None
    """Whether an impairment is in force; ``null`` for a visitor who may not read."""
    impaired_until: str | None = None
    declared: list[str] = []
    """A line for each impairment, visit and fill in force, for visitors who may read."""
    last_turn_age: float | None
    last_commit_age: float | None
    waiting: int
    forwards: list[ForwardResponse]


class ForwardResponse(ApiModel):
    """One remote endpoint; the monitor is alive also when it is unreachable."""

    target: str
    reachable: bool
    last_sent_age: float | None
    behind: int
    missing: int
    why: str


class FillResponse(ApiModel):
    """One declared fill; the lists hold conditions."""

    asset: str
    name: str
    since: str | None
    until: str
    by: str
    why: str
    held: list[str]
    """Suppressed during the fill."""
    afterwards: list[str]
    """Suppressed for a day after it."""
    longer: list[str]
    """Conditions with a longer limit during the fill."""


class FillsResponse(AtSite):
    """Every declared fill, the first to end first."""

    fills: list[FillResponse]


class FillActResponse(Acted):
    """The result of an action: the declared fill, or ``null``."""

    fill: FillResponse | None


class BaselineResponse(ApiModel):
    """One baseline; ``value`` and ``deviation`` (standard) are ``null`` until it is learned."""

    id: str
    quantity: str
    asset: str
    name: str
    state: Literal["learning", "learned", "given"]
    value: float | None
    deviation: float | None
    unit: str
    days: int
    needed: int
    window: list[str] | None
    learned: str | None
    conditions: str


class BaselinesResponse(AtSite):
    """Every baseline, learned, being learned, or given by the site file."""

    baselines: list[BaselineResponse]


class BaselineActResponse(Acted):
    """The result of an action: the baseline's present state."""

    baseline: BaselineResponse | None


class WindowResponse(ApiModel):
    """One impairment or visit; ``quiet`` holds the alarms it suppresses."""

    kind: str
    asset: str
    name: str
    since: str
    until: str
    by: str
    why: str
    quiet: list[str]
    details: dict[str, str] = {}
    """What the impairment procedure asks to be written down."""


class WindowsResponse(AtSite):
    """Every active impairment and visit, the first to end first."""

    windows: list[WindowResponse]
    planned: list[WindowResponse] = []
    """Those that begin later."""


class WindowActResponse(Acted):
    """The result of an action: the window's present state, or ``null`` when it ended."""

    window: WindowResponse | None
