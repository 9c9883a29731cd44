"""What the drive contained: conditions, oil windows, and what is missing for a verdict."""

from camlog.messages import Messages

messages = Messages(__package__)
