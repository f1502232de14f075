"""May we observe? Each limit answers with a margin in its own unit."""
