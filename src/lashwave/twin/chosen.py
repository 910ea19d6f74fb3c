CHOSEN: dict[int, tuple[int, float, float]] = {
    0: (2, 1, 0.8468),  # Mach 1.10, fold 21 mm
    1: (1, 1.362, 0.5894),  # Mach 1.08, fold 21 mm
    2: (2, 1.451, 0.4640),  # Mach 1.01, fold 32 mm
}
