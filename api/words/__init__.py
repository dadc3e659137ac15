"""What people read: one catalogue of sentences for each language, and figures in the site's locale and units."""
