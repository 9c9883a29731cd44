"""How fast a cam follows: command steps, and a fit over all its moves."""

from camlog.messages import Messages

say = Messages(__package__)
