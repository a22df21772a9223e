"""Tests of the room field."""
