"""Who may: people, tokens, sessions and pairings, in access.db."""
