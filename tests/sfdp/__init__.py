"""Tests of the tables in which a part describes itself, against dumps that were published."""
