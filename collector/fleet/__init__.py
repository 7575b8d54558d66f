"""The fleet end: many sites from a broker, who is in trouble, who gets worse."""
