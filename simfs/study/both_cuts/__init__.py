"""Cuts the power, and takes the card out, in the writes of a device that has flash and a card: what the firmware then
finds. It must not know how that is shown."""
