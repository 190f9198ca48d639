"""Shows what happens on flash and card together. It must not know how it was found."""
