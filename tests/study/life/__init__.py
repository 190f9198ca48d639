"""Tests of the run to the end of a life."""
