"""Tests of weather."""
