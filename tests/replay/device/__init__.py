"""Tests of the device: its clock, notes and names."""
