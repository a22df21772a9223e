"""Tests of maps."""
