"""`simfs cuts` where files are on a card, or on flash and card. It must not know how a report is laid out."""
