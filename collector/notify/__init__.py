"""notify."""
