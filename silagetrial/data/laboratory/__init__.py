"""Laboratory reports: read by one mapping for each laboratory, joined to the samples by code."""
