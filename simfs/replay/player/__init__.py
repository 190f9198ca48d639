"""Plays a scenario's tasks one operation after the other. It must not know that there is a faster way, or what is
worked out from the notes."""
