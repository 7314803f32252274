"""A repair bench that listens: meters in, kept readings in a durable journal out."""

__version__ = "0.1.0"
