"""Tests of the shared words."""
