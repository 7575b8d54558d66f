"""Evaluates injected rules and estimators over readings, on a fixed grid of ticks."""
