"""Tests of reading scenarios and of what is said about their faults."""
