"""Published constants and tables, each with its source, and the documentation of the frame package."""
