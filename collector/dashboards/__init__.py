"""Dashboards for Grafana, built from what forwarding writes: a renamed field breaks the build."""

from collector.dashboards.build import DATASOURCE, dashboards, written

__all__ = ["DATASOURCE", "dashboards", "written"]
