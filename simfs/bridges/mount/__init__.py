"""Puts a store under a directory of the host, for any program to work on. It must not know tests, or the arguments of
the command line."""
