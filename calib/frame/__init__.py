"""The frame package on disk -> a described, validated frame whose strips are read lazily."""
