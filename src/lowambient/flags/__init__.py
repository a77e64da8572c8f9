"""Evidence -> flags: what is probably the matter with each unit now, was ever, and why that is thought."""
