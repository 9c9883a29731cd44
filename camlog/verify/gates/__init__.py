"""The gates of a proof, by subject. A new module in this folder is found by itself."""
