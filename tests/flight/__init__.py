"""Tests of flight."""
