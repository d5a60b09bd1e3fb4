"""One module per subcommand, each thin: arguments in, exit status out. No logic that a test would want elsewhere."""
