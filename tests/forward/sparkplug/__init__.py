"""Sparkplug B publishing: payload, edge node, sessions, restarts."""
