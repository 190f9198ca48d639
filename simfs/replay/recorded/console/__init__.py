"""Finds the lines of a firmware's recorder in a console log and does what they say. It must not know system calls, or
scenarios and their tasks."""
