"""The bench on screen: a loopback server that reads, mends and runs the trials of one folder."""
