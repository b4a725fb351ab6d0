"""Recording: what was weighed, seen and smelt, kept in a store that only appends."""
