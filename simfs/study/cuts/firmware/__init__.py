"""Finds out what cuts do to a firmware's own files even though the store keeps every promise. It must not know how the
states after a cut are built."""
