"""Follows a store operation by operation: what each did to which page, and why. It must not know how that is shown."""
