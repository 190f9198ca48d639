"""Finds out what will not carry over when files move between a card and flash, by replaying them on the other kind of
store. It must not know how a finding is shown."""
