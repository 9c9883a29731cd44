"""Whether a cam sticks and then jumps: plateaus, the stiction model, limit cycles."""
