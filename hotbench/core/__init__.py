"""Units, quantities, errors, records and the protocols that the other rooms speak."""
