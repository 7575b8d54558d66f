"""The fleet end: a hub for many sites, its queries and trends, and re-runs of the rules."""
