"""Tests of recordings by strace and by a firmware's console."""
