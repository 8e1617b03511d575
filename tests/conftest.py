"""Stands here so that tests can import the signal makers beside it: ``from signals import tone``."""
