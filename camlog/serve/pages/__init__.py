"""The pages; `camlog.serve.app` describes the functions of a page."""
