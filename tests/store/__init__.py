"""Tests of the store as a whole; folders as in the package."""
