"""Pure functions from facts to the contents of pages: no request, no clock, no HTML."""
