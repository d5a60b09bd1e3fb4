"""One module per subcommand, each thin: arguments in, exit status out. Logic lives elsewhere."""
