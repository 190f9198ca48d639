"""Tells what cuts do to a firmware's own files where the store kept every promise. It must not know how the states
after a cut are built."""
