"""Readers of weather files: ``read`` chooses the form, ``assemble`` builds the one dataset that all of them return."""
