"""Service calls: what their words say."""
