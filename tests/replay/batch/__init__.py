"""Tests that batches and periods leave the same as one operation after the other."""
