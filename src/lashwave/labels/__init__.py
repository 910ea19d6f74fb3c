"""Room: labels. Which dot is which station: linking, strands, relabelling."""
