"""Tests of the log: heads, blocks and the rules of committing."""
