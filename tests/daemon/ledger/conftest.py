"""Retries that take no real second."""

import pytest

from daemon.ledger import writer


@pytest.fixture(autouse=True)
def _quick_retries(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a failed commit be tried again soon."""
    monkeypatch.setattr(writer, "RETRY_S", 0.05)
