"""Tests of cleaning and levelling, against the literature too."""
