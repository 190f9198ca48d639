"""Holds what commands share that write a sheet. It must not know what stands on it."""
