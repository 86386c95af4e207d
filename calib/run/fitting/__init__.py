"""All that is estimated for one frame: `fit` calls the stages' estimates in the order in which each can be known."""
