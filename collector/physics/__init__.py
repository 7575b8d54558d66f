"""Pure functions in SI units, each documented with equation, range and source.

Nothing here reads a clock, a file or a device, and nothing outside the standard library is
imported: the daemon runs on a small industrial computer.
"""
