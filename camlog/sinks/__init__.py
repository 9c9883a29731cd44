"""Sinks of the stream of readings: the trace file, which must not fail, and the views, which may."""

from camlog.messages import Messages

messages = Messages(__name__)
