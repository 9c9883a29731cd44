"""From figures to a verdict on each cam, and from verdicts to causes."""
