"""Power cuts and pulls in the writes of a device with flash and card."""
