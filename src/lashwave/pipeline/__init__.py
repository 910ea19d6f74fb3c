"""Room: pipeline. The walk of one trial through the rooms: locate, check, reconstruct."""
