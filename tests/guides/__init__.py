"""The README and the guides: what they show is run, and what they say of options, keys and other guides is checked."""
