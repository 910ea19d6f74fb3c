"""Room: report (see docs/rooms): pictures, tables, text and provenance; computes nothing new."""
