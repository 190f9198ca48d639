"""Tests of comparing whole runs from the command line."""
