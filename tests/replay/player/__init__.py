"""Tests of playing scenarios and scripts."""
