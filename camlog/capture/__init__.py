"""Capture: from an ELM-style adapter to the stream of readings, on python-obd."""
