"""Why: the probability of each cause, and which check is worth its cost next."""
