"""Real photographs annotated by hand: which they are, what is on them, and how they are brought."""
