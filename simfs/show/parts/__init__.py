"""Lays out parts: the catalogue, one part, and the tables of a dump. It must not know how a figure was got."""
