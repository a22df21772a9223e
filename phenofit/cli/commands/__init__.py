"""One module per command, each with ``configure(parser)`` and ``run(args) -> int``."""
