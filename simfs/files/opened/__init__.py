"""Open files: what those of every kind of store have in common, and those on a card. It must not know how a store finds
its files."""
