"""One-time scripts: the demo study and the packed outlines; run by hand."""
