"""Tests of the bytes on the flash."""
