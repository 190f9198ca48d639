"""Tells and draws what a store does, operation by operation. It must not know how that was followed."""
