"""The table of reliability goals, tried row by row: `python -m tests.goals`."""
