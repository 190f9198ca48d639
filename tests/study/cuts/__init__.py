"""Tests of campaigns of power cuts."""
