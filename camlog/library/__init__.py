"""The library of recordings in one SQLite file, known-good cars of a kind, and screening of many recordings."""

from camlog.messages import Messages

say = Messages("camlog.library")
