"""Tests of the room analysis."""
