"""Gives a pytest test a chip, a store, limits and power cuts, and runs scenarios as tests. It must not know mounts, or
the arguments of the command line."""
