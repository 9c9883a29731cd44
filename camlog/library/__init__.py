"""The library: what recordings were, kept in one SQLite file; known-good cars of a kind, and many recordings at once."""

from camlog.messages import Messages

say = Messages("camlog.library")
