"""From an adapter to the stream: which requests a vehicle supports, when each is sent, and how replies are decoded."""

from camlog.messages import Messages

messages = Messages(__name__)
error = messages.error
