"""Tests of phenofit; the folders mirror the package."""
