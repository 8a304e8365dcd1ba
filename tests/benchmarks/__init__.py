"""Speed and memory, measured as ratios in one run; never a timed unit test."""
