"""Holds the commands that find what to change in a scenario or in a firmware. It must not know how a figure is worked
out or laid out."""
