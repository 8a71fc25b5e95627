"""Decisions drawn from the sampled air."""
