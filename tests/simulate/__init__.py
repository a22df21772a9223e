"""Tests of simulate."""
