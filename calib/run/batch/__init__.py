"""Many frames: `all_frames` sends a `task` for each to the workers of `cluster`, and each worker does `one_frame`."""
