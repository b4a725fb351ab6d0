"""What leads a person through the work: the stages of a series, and short guides to each test."""
