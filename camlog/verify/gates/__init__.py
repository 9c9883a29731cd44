"""The gates of a proof, by what they look at; a module put here is found by itself."""
