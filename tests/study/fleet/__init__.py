"""Tests of the estimates for many devices."""
