"""alarms."""
