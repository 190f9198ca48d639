"""Reads what strace wrote about a program and does to the store what the program did to its files. It must not know
consoles, or scenarios and their tasks."""
