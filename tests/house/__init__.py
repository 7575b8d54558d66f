"""Tests of the house itself: what lies where, and what the files promise."""
