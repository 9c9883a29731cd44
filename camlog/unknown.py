"""The one symbol for what is not known: a value that was not read, a verdict that could not be given."""

UNKNOWN = "–"
UNKNOWN_ASCII = "-"  # where an output cannot show the other
