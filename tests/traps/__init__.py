"""Tests of traps."""
