"""From an adapter to the stream: what can be asked of a vehicle, when it is asked, and what comes back."""

from camlog.messages import Messages

messages = Messages(__name__)
error = messages.error
