"""From measured frames to answers: focus peaks, optimum stops, a session's result."""
