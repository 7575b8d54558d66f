"""Pure functions from facts to what a page shows: no request, no clock, no HTML."""
