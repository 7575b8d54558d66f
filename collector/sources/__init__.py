"""Where readings come from: Modbus devices on a wire, dry contacts on a local chip. Read only."""
