"""Replays what a program or a firmware did with its files, from a recording of that. It must not know scenarios or
their tasks."""
