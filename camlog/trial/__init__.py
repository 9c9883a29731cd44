"""Tries a vehicle profile on the car: what each identifier answers, and which key of the profile is likely wrong."""

from camlog.messages import Messages

messages = Messages(__name__)
