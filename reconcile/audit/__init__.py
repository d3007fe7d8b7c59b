"""Results questioned: one strike traced to its samples, a results folder verified, two results folders compared."""
