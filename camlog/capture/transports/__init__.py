"""Transports to an adapter, one module each, discovered automatically: a class `Transport` as in
`camlog.capture.ports`."""
