"""Picks blocks that are worth emptying, moves what lives in them, and evens the wear out. It must not know files by
name, or why the host writes."""
