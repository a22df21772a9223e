"""Tests of properties."""
