"""Many frames: `all_frames` gives a `task` for each to the workers of `cluster`, and each worker does `one_frame`."""
