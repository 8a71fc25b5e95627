"""The season on screen."""
