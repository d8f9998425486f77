"""One module per command: `configure(parser)` declares its arguments, `run(args)` returns the exit code."""
