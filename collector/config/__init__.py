"""The site file, its device profiles and the environment become one checked :class:`SiteConfig`."""

from collector.config.integrations import (
    BoardSettings,
    InfluxSettings,
    JournalSettings,
    MqttSettings,
)
from collector.config.site import SiteConfig, load_site

__all__ = [
    "BoardSettings",
    "InfluxSettings",
    "JournalSettings",
    "MqttSettings",
    "SiteConfig",
    "load_site",
]
