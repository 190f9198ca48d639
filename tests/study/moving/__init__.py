"""Tests of what a move between card and flash finds."""
