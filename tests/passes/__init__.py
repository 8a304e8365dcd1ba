"""What is read where in a long recording."""
