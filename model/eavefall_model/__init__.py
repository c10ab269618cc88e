"""Perception and judgement, pure: photos to tags and millimeters, tags and distances to advice."""
