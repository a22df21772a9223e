"""Tests of validate."""
