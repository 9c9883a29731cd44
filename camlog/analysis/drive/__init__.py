"""What the drive contained: conditions, oil windows, and what is missing for a verdict."""

from camlog.messages import Messages

say = Messages(__package__)
