"""Small changes of the code that some test must notice, drawn at random or planted."""
