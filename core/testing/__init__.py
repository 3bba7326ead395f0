"""What a test, a meter and a check of the meter are worth."""
