"""The words every other part shares. Knows nobody but the clock's way of writing time."""
