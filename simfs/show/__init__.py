"""Lays figures out as text, tables, pages and JSON. It must not know how a figure was got."""

WHOSE = "The figures are of this store, not of the one you ship."
MORE_ROOM = "Remove old files in time (`keep`), write less, or give the store more blocks."
