"""Ports that pyserial opens by their URL, one module a scheme (`protocol_SCHEME.Serial`, as pyserial looks them up)."""
