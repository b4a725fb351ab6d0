"""From fits to a decision: the ceiling of each blend, the pick, and what would change it."""
