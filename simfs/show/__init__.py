"""Lays figures out as text, tables, pages and JSON. It must not know how a figure was got."""

WHOSE = "The figures are of this store, not of the one you ship."
