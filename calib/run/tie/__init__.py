"""Control points from a modern map: `job` finds the `whole` frame in it, then `windows`, and writes `files`."""
