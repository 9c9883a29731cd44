"""The charts of a report, one question a module. Each takes Findings and returns a `Chart`."""
