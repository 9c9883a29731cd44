"""Misfire counts as rates, their pattern, and what they go with."""
