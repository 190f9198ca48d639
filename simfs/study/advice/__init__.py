"""Finds changes of a scenario that may help, runs each, and says what they bring and cost. It must not know how they
are shown."""
