"""How fast a cam follows: command steps, and a fit over all its moves."""
