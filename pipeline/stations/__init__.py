"""How station hours get in, and nothing else."""
