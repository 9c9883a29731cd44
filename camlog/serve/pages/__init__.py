"""The pages: what one of them is stands in `camlog.serve.app`."""
