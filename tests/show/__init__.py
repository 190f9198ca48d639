"""Tests of text, tables and JSON."""
