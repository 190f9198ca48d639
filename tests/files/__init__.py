"""Tests of names, modes and open files, against the host's files and the in-memory model."""
