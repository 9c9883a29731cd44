"""Misfires: rates per 1,000 revolutions from counters, which cylinders misfire, and under which conditions."""

from camlog.messages import Messages

say = Messages(__package__)
