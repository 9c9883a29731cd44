"""Ways to an adapter, one module each, found by itself: a class `Transport` as `camlog.capture.ports` describes it."""
