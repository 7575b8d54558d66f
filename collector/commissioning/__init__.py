"""Commissioning: from an unknown controller to a device profile, with no terminal and no board."""
