"""Sources of readings: Modbus devices, dry contacts on a local chip. Read only."""
