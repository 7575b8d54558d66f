"""The sections of a report: each a function of what was gathered, giving blocks."""
