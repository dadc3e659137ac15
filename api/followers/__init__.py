"""Those who are told: followers of the record, each with its place in it, and what it has still to be told."""
