"""Perception and judgement, pure: photos to tags and millimetres, tags and distances to advice."""
