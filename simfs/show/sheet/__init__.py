"""Holds the sheet: a run as one HTML page that needs no network. It must not know how a figure was got."""
