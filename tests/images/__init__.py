"""Tests of images."""
