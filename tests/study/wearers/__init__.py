"""Tests of who wore the flash."""
