"""Does a cam stay put and then jump: plateaus, the stiction model, limit cycles."""
