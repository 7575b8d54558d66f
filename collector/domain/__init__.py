"""The types that every other part shares. Imports the clock's format of instants only."""
