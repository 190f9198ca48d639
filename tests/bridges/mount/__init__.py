"""Tests of mounts, the calls alone and through the kernel."""
