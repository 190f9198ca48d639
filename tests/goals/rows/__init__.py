"""The rows of the table of reliability goals."""
