"""What is wrong with a volume, and what mending it gives. It must not know how the volume came to be so."""
