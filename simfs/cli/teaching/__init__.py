"""Holds the commands for a class and its teacher. It must not know how a figure is worked out or laid out."""
