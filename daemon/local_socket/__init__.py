"""The local socket: how the command line and the api ask, command and watch the daemon."""
