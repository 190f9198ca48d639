"""Tests of what `simfs run` gives beside its report."""
