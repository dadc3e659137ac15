"""The farm's own pages: rendered here, whole without any script, and with nothing from elsewhere."""
