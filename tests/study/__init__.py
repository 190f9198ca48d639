"""Tests of the figures and of the analyses that run devices anew."""
