"""The HTTP interface: JSON in and out, OpenMetrics."""
