"""The demo: simulates an invented frame, calibrates it, and compares the result with the truth."""
