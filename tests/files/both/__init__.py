"""A store on flash and card: what is where when the card goes, comes back, or the power is cut."""
