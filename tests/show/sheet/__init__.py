"""Tests of the sheet: what stands on it, and what a browser makes of it."""
