"""Tests that many appends at once leave the same as one after the other."""
