"""`simfs image` and `simfs mount` on images of cards."""
