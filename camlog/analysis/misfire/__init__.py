"""Misfires: counters to rates per 1,000 revolutions, which cylinders, and what they go with."""

from camlog.messages import Messages

say = Messages(__package__)
