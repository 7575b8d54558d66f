"""Tests of the whole, on real parts."""
