"""Lays out advice: as text, and as a changed scenario. It must not know how an idea is found or run."""
