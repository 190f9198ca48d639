"""Holds the command that compares whole runs. It must not know how a figure is worked out or laid out."""
