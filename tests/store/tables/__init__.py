"""Tests of the tables in RAM."""
