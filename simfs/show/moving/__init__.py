"""Shows what a move between card and flash will not carry over. It must not know how that was found."""
