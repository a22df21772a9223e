"""Tests of the records of one species."""
