"""From figures to a verdict on each cam, and from verdicts to causes."""

from camlog.messages import Messages

messages = Messages(__package__)
