"""Power cuts in the sector writes of a card."""
