"""Readings and events on their way to other machines, each way by its own journal cursor."""
