"""Says in words what ends first, and when. It must not know how a report is laid out."""
