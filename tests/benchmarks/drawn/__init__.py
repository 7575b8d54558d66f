"""Drawn plants played to the watch, and what it said held against what really happened."""
