"""Tests of scenarios, recordings and the device that plays them."""
