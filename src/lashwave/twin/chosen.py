CHOSEN: dict[int, tuple[int, float, float]] = {}
