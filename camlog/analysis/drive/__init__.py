"""What the drive contained: conditions, oil windows, and what is missing for a verdict."""
