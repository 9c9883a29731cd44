"""A simulated car behind a simulated adapter, live or as whole drives."""

from camlog.messages import Messages

say = Messages(__package__)
