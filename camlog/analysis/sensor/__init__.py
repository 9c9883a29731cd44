"""Is it the reading rather than the cam."""
