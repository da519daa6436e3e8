"""Checks against outside sources: published worked examples and a circuit simulation."""
