"""One cam's readings, and how it tracks, holds and rests."""
