"""Runs a device until its flash is worn out, and keeps account of what wears it. It must not know how many devices are
sold, or how a report is laid out."""
