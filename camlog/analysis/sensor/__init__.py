"""Whether a fault lies in the reading rather than in the cam."""
