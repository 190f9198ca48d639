"""The lines of a report: each figure with its value and what it counts. It must not know how they are laid out."""
