"""Dashboard of many sites: active alarms, growing leaks, weak compressors."""

from __future__ import annotations

from collections.abc import Iterator

from collector.dashboards.page import Page, cautions
from collector.dashboards.panels import Panel, lines, table
from collector.dashboards.queries import LONG, Query, active_alarms, field, select

__all__ = ["page"]


def page() -> Page:
    """Return the page. The time it shows, a quarter at first, is what changes are counted over."""
    return Page(
        name="fleet", title="Fleet ranking", since="now-90d", fleet=True, refresh="5m",
        doc="Sites in the order in which they want a visit.",
        panels=[*_trouble(), *_leaks(), *_compressors(), *_purges(), *_figures(), *_collectors(),
                cautions()],
    )


def _then_and_now(quantity: str = "") -> Query:
    value = field("estimate", "value")
    columns = {"then": f"first({value})", "now": f"last({value})",
               "change": f"last({value}) - first({value})"}
    by = ("site", "asset", "unit") if quantity else ("site", "quantity", "asset", "unit")
    return Query(table=True, text=select("estimate", columns, by=by, every=None,
                                         having={"quantity": quantity} if quantity else None))


def _ranked(title: str, quantity: str, *, sort: str, descending: bool = True,
            doc: str = "") -> Panel:
    return table(title, [_then_and_now(quantity)], names={}, sort=sort, descending=descending,
                 doc=doc, decimals=2)


def _trouble() -> Iterator[Panel]:
    yield table("Sites with active alarms", [
        Query(text=active_alarms("site", "priority"), table=True)],
                names={}, sort="standing", height=10, doc="Active alarms, by priority.")
    raised = select("alarm", {"raised": f"count({field('alarm', 'text')})"}, by=("site",),
                    every="1d", having={"transition": "raised"})
    yield lines("Raised each day", [Query(text=raised, alias="$tag_site")], names={}, bars=True,
                low=0, decimals=0, height=10)


def _leaks() -> Iterator[Panel]:
    yield _ranked("Who leaks most", "leak-rate", sort="now",
                  doc="First and last estimate in the time shown. Compare only rows of one unit.")
    yield _ranked("Who leaks more than then", "leak-equivalent", sort="change",
                  doc="As psi in 24 hours, which is fair between large and small pipes.")


def _compressors() -> Iterator[Panel]:
    yield _ranked("Whose compressor is tiring", "compressor-delivery", sort="change",
                  descending=False, doc="Delivery that fell; demand does not count against it.")
    yield _ranked("Who runs most", "compressor-duty", sort="now")
    yield _ranked("Who is due for service", "hours-to-service", sort="now", descending=False)
    yield _ranked("Who needs most nitrogen", "nitrogen-demand", sort="now")


def _purges() -> Iterator[Panel]:
    value = field("estimate", "value")
    late = select("estimate", {"done at": f"last({value}) * 1000"}, by=("site", "asset"),
                  every=None, having={"quantity": "purge-done-at"})
    yield table("Whose purge is late", [Query(text=late, table=True)], names={}, sort="done at",
                columns={"done at": {"unit": "dateTimeAsLocal"}},
                doc="By the time its vent will read the target; the latest first.")
    suffered = select("estimate", {"percent-days": f"sum({value})"}, by=("site", "asset"),
                      every=None, having={"quantity": "oxygen-exposure"})
    yield table("Whose pipe suffers", [Query(text=suffered, table=True)], names={}, decimals=1,
                sort="percent-days", doc="Oxygen above the target, summed over the time shown.")


def _figures() -> Iterator[Panel]:
    yield table("Every figure", [_then_and_now()], names={}, width=24, decimals=2,
                doc="First and last estimate of every quantity in the time shown.")


def _collectors() -> Iterator[Panel]:
    heard = select("generator", {
        "compressor": f"last({field('generator', 'compressor_running')})"},
        by=("site", "asset"), every=None, when=LONG)
    yield table("Last heard", [Query(text=heard, table=True)], names={}, hide=("compressor",),
                sort="when", descending=False, columns={"when": {"unit": "dateTimeFromNow"}},
                doc="The last reading that arrived here; the quietest first.")
    started = select("fact", {"said": f"last({field('fact', 'text')})"}, by=("site",),
                     every=None, having={"fact": "collector-started"}, when=LONG)
    yield table("Which version runs", [Query(text=started, table=True)], names={}, hide=(),
                sort="when", descending=False,
                doc="What each collector said at its last start; the longest running first.")
