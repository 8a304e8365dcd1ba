"""What is read where in a recording that was never stopped."""
