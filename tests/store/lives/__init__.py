"""Tests that a store keeps its promises through a whole life: work, power cut, recovery, more work, over and over."""
