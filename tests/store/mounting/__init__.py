"""Tests of what a mount finds, after power cuts and on flash made by hand."""
