"""Tests of the figures of one run and of expectations."""
