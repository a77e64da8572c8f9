"""Foreign files -> a read plan: dialect, mapping, units of measure, time zone, reasons to refuse."""
