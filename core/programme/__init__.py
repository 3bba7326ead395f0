"""Indicators of many groups, and fair comparison."""
