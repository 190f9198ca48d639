"""The image of a removable card: its volume found, checked, read, extracted and built. It must not know mounts, or the
arguments of the command line."""
