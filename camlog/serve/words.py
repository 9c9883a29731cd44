"""What this package says to a person, by name: the sentences and errors of `messages.toml`."""

from camlog.messages import Messages

sentence = Messages("camlog.serve")
problem = sentence.error
