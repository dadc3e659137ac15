"""The routes under /v1, a file for each thing they are about."""
