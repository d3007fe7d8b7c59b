"""Running: the order of the steps, where they run, and what is kept on disk."""
