"""Appends frames to open blocks, changes to the next block when one is full, and reads frames back. It must not know
which blocks get cleaned, or how a mount finds the log."""
