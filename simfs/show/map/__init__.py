"""Draws what a chip is shared out among, as text and as a picture. It must not know how a region came to its place."""
