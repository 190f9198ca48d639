"""Tests of the flash: bits, time, wear, faults, parts."""
