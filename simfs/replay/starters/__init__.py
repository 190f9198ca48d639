"""Writes the first scenario of somebody who has none yet, from a few answers. It must not know who asks for them."""
