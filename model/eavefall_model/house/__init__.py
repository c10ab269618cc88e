"""One house as frozen arrays: what the survey says as draws, which trees stand there, what contradicts."""
