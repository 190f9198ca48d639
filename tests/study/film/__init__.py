"""Tests of the commands as a user types them: output, errors and exit codes."""
