"""What each circuit really does: runs, trips, lockouts, set-points and how its head pressure is held."""
