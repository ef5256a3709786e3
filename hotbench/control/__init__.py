"""Controller tuning rules and closed-loop analysis; pure."""
