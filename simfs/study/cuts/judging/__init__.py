"""Builds the flash that a cut leaves, mounts it, and judges whether the store kept its promises. It must not know which
cuts are chosen, or what a firmware makes of the files."""
