"""Tests of first scenarios."""
