"""Holds the table of who wore the flash. It must not know how that was found."""
