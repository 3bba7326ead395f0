"""Drying, storage, price and sale planning for groups that share a grain moisture meter."""

__version__ = "0.1.0"
