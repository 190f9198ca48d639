"""What holds simfs to its promises; folders as in the package, and what is about all of it."""
