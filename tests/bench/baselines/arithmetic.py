"""Plain arithmetic in plain Python: how fast this computer is just now."""


def arithmetic() -> float:
    """Sum numbers under text keys."""
    sums: dict[tuple[str, str], float] = {}
    for i in range(200_000):
        key = (f"b{i % 64}", "NPK"[i % 3])
        sums[key] = max(sums.get(key, 0.0) + 0.25 * i, 1.0)
    return sum(sums.values())
