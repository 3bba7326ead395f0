"""Shares of the shared meter, its account, and what testing is worth."""
