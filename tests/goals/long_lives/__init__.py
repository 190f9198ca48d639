"""Stores that live through hundreds of power cuts: what they are, what is done with them, and how they are judged."""
