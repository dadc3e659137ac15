"""The daemon's folder: what is kept where in it."""

LEDGER = "ledger.db"
HISTORY = "history.db"
SOCKET = "daemon.sock"
LOCK = "plant.lock"
ACCESS = "access.db"
ALERTS = "alerts.db"
