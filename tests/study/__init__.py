"""Tests of study."""
