"""Deliveries, pooled lots and pay-out to members."""
