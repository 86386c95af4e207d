"""One plain image, no frame package needed: without its banding, as reflectance, or on a map."""
