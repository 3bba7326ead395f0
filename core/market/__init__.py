"""Price series, the seasonal curve, price paths, buyers and the costs of waiting."""
