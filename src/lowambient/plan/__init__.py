"""Rates, shrinkage, forecast and ranking: how often units fail in the cold, and what the next winter brings."""
