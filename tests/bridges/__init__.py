"""Tests of the interfaces that are other people's: images, mounts, pytest, fsspec and Python's own open."""
