"""Tests of heat."""
