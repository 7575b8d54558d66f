"""Checks against things outside the project; each names its source and how well it is known.

Marks beside a check: *read* (the source itself was read), *second hand* (a document that quotes or
restates it), *from memory*, *computed* (no source: worked out by hand from the formula).
"""
