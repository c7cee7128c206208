"""Find edges, place them on the target, measure one edge."""
