"""Physics: inverses, limiting cases, refusals, and intervals that mean what they say."""
