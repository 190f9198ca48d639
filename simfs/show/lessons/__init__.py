"""Holds the lessons: their texts, as a terminal and as a page shows them. It must not know how a scenario is run."""
