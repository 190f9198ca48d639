"""The card itself: its sectors, and what reading and writing them takes. It must not know what the sectors hold."""
