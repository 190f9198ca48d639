"""Figures as people and programs read them."""

WHOSE = "The figures are of this store, not of the one you ship."
