"""Tests of images: built, read back, extracted and explained."""
