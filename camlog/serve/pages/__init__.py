"""The pages. Each has `layout(desk, ...)` and `register(app, desk)`, which adds its callbacks to the application."""
