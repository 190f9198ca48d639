"""Reads a scenario from TOML, checks it and names every fault with its line. It must not know how it is played."""
