"""Tests of forecast."""
